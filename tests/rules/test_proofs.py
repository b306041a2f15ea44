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
from auditor.inventory.facts import COMPARISON_FACTS
from auditor.pipeline import compare
from auditor.ruleset.finding import Outcome
from auditor.ruleset.lint import lint_rules
from auditor.ruleset.loader import load_rules

CAPTURES = Path(__file__).parents[2] / "captures"
SHELF_LIGHT = "00:00:5e:00:53:21"
FIRST_RECORDING = "good-vantage.pcapng"
COMPARED = {rule.rule_id for rule in load_rules() if rule.about in COMPARISON_FACTS}
"""Their proofs name the second recording."""
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


@cache
def compared(capture):
    """Rule to the outcomes of the shelf light, the capture compared with the first recording."""
    home = (CAPTURES / FIRST_RECORDING).with_suffix(".home.yaml")
    first, second = CAPTURES / FIRST_RECORDING, CAPTURES / capture
    document = json.loads(compare(first, second, devices=[SHELF_LIGHT], home=home).to_json())
    return {
        entry["rule_id"]: {entry["outcome"]}
        for entry in document["assessments"]
        if entry["rule_id"] in COMPARED and entry["outcome"] != "not-applicable"
    }


@pytest.mark.parametrize(
    ("rule_id", "proof"), [pytest.param(*case, id=f"{case[0]}-{case[1].capture}") for case in PROOFS]
)
def test_proof_holds(rule_id, proof):
    seen = (compared if rule_id in COMPARED else outcomes)(proof.capture)[rule_id]

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

    assert set(load_rules().ids) - COMPARED <= speaking
    assert not speaking & COMPARED
