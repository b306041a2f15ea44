"""One rule in words: what it looks for, what it must be able to see, and what to do about a finding."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from auditor.report.outline import Fields, Heading, Items, Outline, Paragraph, Table
from auditor.ruleset.fields import Field
from auditor.ruleset.model import Rule
from auditor.ruleset.templates import Template


def explain(rule: Rule) -> Outline:
    """Outline of ``rules explain``."""
    severity = rule.severity.usual.word
    if rule.severity.otherwise:
        other = sorted({branch.severity for branch in rule.severity.otherwise})
        severity += f"; where this home differs: {', '.join(one.word for one in other)}"
    blocks: Outline = [
        Heading(1, rule.rule_id),
        Paragraph(rule.title),
        Fields(
            (
                ("Severity", severity),
                ("Concerns", ", ".join(rule.roles)),
                ("Reads", f"facts about: {rule.about}"),
                ("Needs", ", ".join(rule.needs) or "nothing in particular"),
                ("Same finding", ", ".join(field.name for field in rule.identity) or "one a device"),
                ("File", rule.location),
            )
        ),
        Heading(2, "What a finding says"),
        Paragraph(_sentence(rule.summary)),
        Paragraph(_sentence(rule.household)),
        Heading(2, "Why it matters"),
        Paragraph(rule.rationale),
    ]
    for step in rule.remediation:
        pairs = (
            ("What to do", step.do),
            ("What stops", step.stops),
            ("Test", step.test),
            ("Undo", step.undo),
        )
        blocks += (
            [Heading(2, "What to do"), Fields(pairs)] if step is rule.remediation[0] else [Fields(pairs)]
        )
    if rule.references:
        texts = tuple(
            f"{item.standard} {item.clause}{f' ({item.strength})' if item.strength else ''}"
            for item in rule.references
        )
        blocks += [Heading(2, "Leans on"), Items(texts)]
    if rule.proofs:
        texts = tuple(f"{proof.capture}: {proof.outcome}" for proof in rule.proofs)
        blocks += [Heading(2, "Proven on"), Items(texts)]
    return blocks


def list_in_table(rules: Iterable[Rule]) -> Outline:
    """Outline of ``rules list``: id, usual severity, title."""
    rows = tuple((rule.rule_id, usual_severity(rule), rule.title) for rule in rules)
    return [Heading(1, "Rules"), Table(("Rule", "Severity", "Title"), rows)]


def usual_severity(rule: Rule) -> str:
    """The usual severity, with a star where it depends on the home."""
    return f"{rule.severity.usual.word}{'*' if rule.severity.otherwise else ''}"


def rule_document(rule: Rule) -> dict[str, Any]:
    """One rule as plain values, for ``rules list`` and ``rules explain`` in JSON."""
    return {
        "rule_id": rule.rule_id,
        "title": rule.title,
        "severity": {
            "usual": rule.severity.usual.word,
            "otherwise": sorted({branch.severity.word for branch in rule.severity.otherwise}),
        },
        "applies_to": list(rule.roles),
        "about": rule.about,
        "needs": list(rule.needs),
        "identity": [field.name for field in rule.identity],
        "summary": _sentence(rule.summary),
        "household": _sentence(rule.household),
        "rationale": rule.rationale,
        "remediation": [
            {"do": step.do, "stops": step.stops, "test": step.test, "undo": step.undo}
            for step in rule.remediation
        ],
        "references": [
            {"standard": item.standard, "clause": item.clause, "strength": item.strength}
            for item in rule.references
        ],
        "proofs": [{"capture": proof.capture, "outcome": str(proof.outcome)} for proof in rule.proofs],
    }


def _sentence(template: Template) -> str:
    """The sentence with the names of its fields in angle brackets."""
    return "".join(f"<{part.name}>" if isinstance(part, Field) else part for part in template.parts)
