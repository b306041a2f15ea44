"""
Every proof that a bundled rule names, run through the whole audit.

``found``: at least one subject.  The other outcomes: every chosen device.  What each recording holds, and what must be
concluded from it, stands in ``captures/README.md``.
"""

import json
from functools import cache
from pathlib import Path

import pytest

import auditor
from auditor.ruleset.finding import Outcome
from auditor.ruleset.lint import lint_rules
from auditor.ruleset.loader import load_rules

CAPTURES = Path(__file__).parents[2] / "captures"
PROOFS = [(rule.rule_id, proof) for rule in load_rules() for proof in rule.proofs]


@cache
def outcomes(capture):
    """Rule to the outcomes of the devices; a home file beside the capture is used."""
    home = (CAPTURES / capture).with_suffix(".home.yaml")
    report = auditor.audit([CAPTURES / capture], home=home if home.exists() else None)
    found: dict[str, set[str]] = {}
    for entry in json.loads(report.to_json())["assessments"]:
        if entry["device_id"] != "network":
            found.setdefault(entry["rule_id"], set()).add(entry["outcome"])
    return found


@pytest.mark.parametrize(
    ("rule_id", "proof"), [pytest.param(*case, id=f"{case[0]}-{case[1].capture}") for case in PROOFS]
)
def test_proof_holds(rule_id, proof):
    seen = outcomes(proof.capture)[rule_id]

    if proof.outcome is Outcome.FOUND:
        assert "found" in seen
    else:
        assert seen - {"not-applicable"} == {proof.outcome.value}


def test_every_capture_that_a_rule_names_is_there():
    assert PROOFS
    assert lint_rules(captures=CAPTURES) == ()


@pytest.mark.parametrize("rule", load_rules(), ids=lambda rule: rule.rule_id)
def test_every_rule_is_proven_three_ways(rule):
    proven = {proof.outcome for proof in rule.proofs}

    assert proven >= {Outcome.FOUND, Outcome.NOT_FOUND, Outcome.UNDETERMINED}


def test_some_capture_makes_every_rule_speak():
    speaking = {
        rule_id
        for path in CAPTURES.glob("*.pcapng")
        for rule_id, seen in outcomes(path.name).items()
        if "found" in seen
    }

    assert set(load_rules().ids) <= speaking
