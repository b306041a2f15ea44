"""
Every rule is proven by the recordings it names.

Source: the project's own recordings (``captures/README.md`` says how each was made and what must be concluded).
"""

from functools import cache
from pathlib import Path

import pytest

import auditor
from auditor.ruleset.loader import load_rules

ROOT = Path(__file__).resolve().parents[2]
RULES = load_rules().rules
PROOFS = [
    pytest.param(rule.id, capture, outcome, id=f"{rule.id}-{outcome}-{Path(capture).stem}")
    for rule in RULES
    for outcome, captures in (("found", rule.proofs.found), ("not-found", rule.proofs.not_found))
    for capture in captures
]


@cache
def outcomes(capture: str) -> dict[str, set[str]]:
    path = ROOT / "captures" / capture
    home = path.with_suffix("").with_suffix(".home.yaml")
    document = auditor.audit([path], home=home if home.exists() else None).document
    answers: dict[str, set[str]] = {}
    for assessment in document["assessments"]:
        answers.setdefault(assessment["rule_id"], set()).add(assessment["outcome"])
    return answers


def test_there_are_proofs():
    assert PROOFS


@pytest.mark.parametrize(("rule_id", "capture", "outcome"), PROOFS)
def test_recording_proves_the_rule(rule_id, capture, outcome):
    answers = outcomes(capture)[rule_id]

    assert outcome in answers
    if outcome == "not-found":
        assert "found" not in answers
