"""``auditor rules``: list, explain and lint rules."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.output import is_colourful, print_result, say
from auditor.errors import UsageError

if TYPE_CHECKING:
    from auditor.ruleset.model import RuleSet

rules_commands = typer.Typer(
    help="List, explain and lint rules.", no_args_is_help=True, rich_markup_mode=None
)

CAPTURES_FOLDER = "captures"
"""Of the source tree, beside the package: proofs name files below it; an installed program has none."""

MAX_SUGGESTIONS = 3  # near ids named after a misspelt one


@rules_commands.command("list")
def list_rules(
    rules: options.RuleFolders = None, output_format: options.PlainForm = options.PlainFormat.TEXT
) -> int:
    """One line for each rule: id, severity, title."""
    from auditor.report import explain
    from auditor.report.harmless import harmless_cell
    from auditor.report.json import render_members
    from auditor.report.markdown import render_markdown

    found = _load(rules)
    if output_format is options.PlainFormat.JSON:
        print_result(render_members({"rules": [explain.rule_document(rule) for rule in found]}))
    elif output_format is options.PlainFormat.MARKDOWN:
        print_result(render_markdown(explain.list_in_table(found)))
    else:
        width = max((len(rule.rule_id) for rule in found), default=0)
        lines = (
            f"{rule.rule_id:<{width}}  {explain.usual_severity(rule):<9}  {harmless_cell(rule.title)}"
            for rule in found
        )
        print_result("".join(f"{line}\n" for line in lines))
    return ExitStatus.JUDGED


@rules_commands.command("explain")
def explain_rule(
    rule_id: Annotated[str, typer.Argument(metavar="ID", help="A rule's id; 'rules list' shows them.")],
    rules: options.RuleFolders = None,
    output_format: options.PlainForm = options.PlainFormat.TEXT,
) -> int:
    """Tell what one rule looks for, why, what it needs to see, and what to do."""
    from auditor.report.explain import explain, rule_document
    from auditor.report.json import render_members
    from auditor.report.markdown import render_markdown
    from auditor.report.text import render_text

    found = _load(rules)
    if rule_id not in found:
        raise UsageError("rules explain", _unknown(rule_id, found))
    rule = found.rule(rule_id)
    if output_format is options.PlainFormat.JSON:
        print_result(render_members(rule_document(rule)))
    elif output_format is options.PlainFormat.MARKDOWN:
        print_result(render_markdown(explain(rule)))
    else:
        print_result(render_text(explain(rule), colour=is_colourful(sys.stdout)))
    return ExitStatus.JUDGED


@rules_commands.command("lint")
def lint_rules(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="Your own rules; without it the bundled ones.")
    ] = None,
) -> int:
    """Check rule files: every mistake with its place; exit status 2 where there is one."""
    from auditor.ruleset.lint import lint_rules as lint

    captures = _captures_folder()
    problems = lint([folder] if folder is not None else [], captures=captures)
    print_result("".join(f"{problem}\n" for problem in problems))
    if captures is None:
        say("the captures that prove the rules are not here; proofs were not looked for")
    if problems:
        return ExitStatus.WRONG_USAGE
    say("no mistake found")
    return ExitStatus.JUDGED


def _load(folders: list[Path] | None) -> RuleSet:
    from auditor.ruleset.loader import load_rules

    return load_rules(folders or [])


def _unknown(rule_id: str, found: RuleSet) -> str:
    from difflib import get_close_matches

    near = get_close_matches(rule_id, found.ids, n=MAX_SUGGESTIONS)
    return f"expected a rule's id, found {rule_id!r}" + (f"; near: {', '.join(near)}" if near else "")


def _captures_folder() -> Path | None:
    folder = Path(__file__).resolve().parent.parent.parent / CAPTURES_FOLDER
    return folder if folder.is_dir() else None
