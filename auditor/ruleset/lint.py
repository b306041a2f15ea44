"""Rule files checked beyond what loading needs: proofs that exist and sentences that a household can read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from auditor.ruleset.loader import read_rules
from auditor.ruleset.model import Rule
from auditor.settings.problems import Place, Problem, Problems

MAX_HOUSEHOLD_WORDS = 25  # one breath; what is longer is not read aloud at the fridge


def lint_rules(
    folders: Sequence[Path] = (), *, bundled: bool = True, captures: Path | None = None
) -> tuple[Problem, ...]:
    """
    Every mistake in the rule files, by place; nothing is raised.

    ``captures`` is the folder that proofs name files of.  Where it is None
    (an installed program has no captures) proofs are not looked for: the
    caller says that they are not here.
    """
    problems = Problems()
    for rule in read_rules(folders, problems, bundled=bundled):
        _check_words(rule, problems)
        if captures is not None:
            _check_proofs(rule, captures, problems)
    return problems.sorted()


def _place(rule: Rule) -> Place:
    name, line, column = rule.location.rsplit(":", 2)
    return Place(name, int(line), int(column))


def _check_words(rule: Rule, problems: Problems) -> None:
    words = sum(len(part.split()) if isinstance(part, str) else 1 for part in rule.household.parts)
    if words > MAX_HOUSEHOLD_WORDS:
        text = f"expected at most {MAX_HOUSEHOLD_WORDS} words for the household, found {words}"
        problems.add(_place(rule), f"{text} in {rule.rule_id}")
    if rule.is_bundled and not rule.references:  # a household may have reasons of its own
        problems.add(_place(rule), f"expected a reference to a standard, found none in {rule.rule_id}")


def _check_proofs(rule: Rule, captures: Path, problems: Problems) -> None:
    for proof in rule.proofs:
        if not (captures / proof.capture).is_file():
            text = f"expected the capture {proof.capture!r} that proves {rule.rule_id}, found none"
            problems.add(_place(rule), text)
