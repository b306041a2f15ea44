"""Findings: seen, where, why here, how sure, what to do, what stops, how to test and how to undo it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Any

from auditor.report import traffic, wording
from auditor.report.html.blocks import fields
from auditor.report.html.element import Child, Html, join, tag
from auditor.report.html.page import fold, table
from auditor.report.html.traffic_tables import MAX_TABLE_ROWS, folded_table
from auditor.report.story import MAX_SHOWN_FINDINGS, reference_words, sureness

Document = dict[str, Any]

OPEN_FINDINGS = 3
"""Whose steps stand open: what a household does in one evening (needs section 6: at most three actions)."""
MAX_FINDING_ROWS = 5_000
"""Behind those in full, a line each; a household with more has one cause for most of them."""


def findings(document: Document) -> Html:
    """Those to act on first, in full; behind a bound a table."""
    found = document["findings"]
    if not found:
        return tag("p", "None. That is no proof of absence: see the open questions below.")
    name = traffic.names_of(document)
    parts: list[Child] = [
        _finding(place, one, name) for place, one in enumerate(found[:MAX_SHOWN_FINDINGS], start=1)
    ]
    rest = found[MAX_SHOWN_FINDINGS : MAX_SHOWN_FINDINGS + MAX_FINDING_ROWS]
    if rest:
        rows = [(one["rule_id"], one["severity"], name(one["device_id"]), one["summary"]) for one in rest]
        listed = table(("Rule", "Severity", "Device", "Seen"), rows, caption="Further findings, shortly")
        parts.append(fold(f"{len(rest)} more findings", listed))
    left = len(found) - MAX_SHOWN_FINDINGS - len(rest)
    if left > 0:
        parts.append(tag("p", f"And {left} more; --format json lists them all."))
    return join(parts)


def _finding(place: int, one: Document, name: Callable[[str], str]) -> Html:
    anchor = _anchor(one)
    about = [
        ("Device", name(one["device_id"])),
        ("Seen", one["summary"]),
        ("Why here", one["rationale"]),
        ("How sure", wording.sentence(sureness(one["confidence"]))),
    ]
    references = "; ".join(map(reference_words, one["references"]))
    steps = [
        fields(
            pair
            for pair in (
                ("What to do", step["do"]),
                ("What stops", step["stops"]),
                ("Test", step["test"]),
                ("Undo", step["undo"]),
            )
            if pair[1]
        )
        for step in one["remediation"]
    ]
    title = tag("h3", tag("span", one["severity"], class_="word"), f"{place}. {one['household']}", id=anchor)
    return tag(
        "article",
        title,
        fields(pair for pair in about if pair[1]),
        fold(
            "What to do, what stops, how to test and undo",
            tag("ol", *(tag("li", step) for step in steps), class_="steps"),
            is_open=place <= OPEN_FINDINGS,
        )
        if steps
        else None,
        fold("Packets that show it", _evidence(one["evidence"])) if one["evidence"] else None,
        tag(
            "p",
            f"Rule {one['rule_id']}" + (f"; leans on {references}" if references else ""),
            f"; identifier {one['finding_id']}",
            class_="quiet",
        ),
        class_=one["severity"],
        aria_labelledby=anchor,
    )


def _anchor(one: Document) -> str:
    return f"finding-{one['finding_id']}"


def _evidence(evidence: list[Document]) -> Html:
    rows = [
        (
            f"{item['packet']} of {item['capture']}",
            wording.moment(item["time"]),
            item["excerpt"] or "header not kept",
        )
        for item in evidence
    ]
    return folded_table(("Packet", "Time", "Headers"), rows, caption="Evidence", noun="packet")


def packets(document: Document) -> Html:
    """Every packet that a finding names, headers only, with the findings that name it."""
    named: dict[tuple[str, int], tuple[Document, list[Document]]] = {}
    linked = {one["finding_id"] for one in document["findings"][:MAX_SHOWN_FINDINGS]}
    naming: dict[tuple[str, int], dict[str, Document]] = defaultdict(dict)
    for one in document["findings"]:
        for item in one["evidence"]:
            key = item["capture"], item["packet"]
            if key in named or len(named) < MAX_TABLE_ROWS:
                named.setdefault(key, (item, []))
                naming[key].setdefault(one["rule_id"], one)
    rows = [
        (
            f"{number} of {capture}",
            wording.joined([wording.moment(item["time"]), item["excerpt"] or "header not kept"]),
            join(
                join([", " if place else None, _link(one, linked)])
                for place, one in enumerate(naming[capture, number].values())
            ),
        )
        for (capture, number), (item, _) in sorted(named.items())
    ]
    if not rows:
        return tag("p", "No finding names a packet.")
    return join(
        [
            tag(
                "p",
                "Headers only: contents of packets stand in no report. Packet viewers show them by number.",
            ),
            folded_table(
                ("Packet", "When, who and whom", "Findings"), rows, caption="Packets", noun="packet"
            ),
        ]
    )


def _link(one: Document, linked: set[str]) -> Html:
    if one["finding_id"] not in linked:
        return tag("span", one["rule_id"])
    return tag("a", one["rule_id"], href=f"#{_anchor(one)}")
