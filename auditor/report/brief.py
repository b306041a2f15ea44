"""
What a terminal shows first: verdict, what the recording could show, a screen of findings, two lines of plan.

The complete report (``story``) holds the same and the rest; nothing stands here
that does not stand there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from auditor.redaction.documents import ShownDocument, require_shown
from auditor.report import traffic, wording
from auditor.report.outline import Fields, Heading, Outline, Paragraph
from auditor.report.plan import plan_summary
from auditor.report.story import coverage_section, privacy_note, title_of, verdict_section
from auditor.report.text import COLUMNS, render_text
from auditor.report.verdict import SEVERITY_ORDER, nothing_judged

Document = dict[str, Any]
Alike = tuple[Document, int]
"""The first of the findings of one rule on one device, and how many there are."""

MAX_SCREEN_LINES = 24
"""Of the findings together, at eighty columns: a terminal that nobody enlarged (common practice)."""
MAX_SCREEN_FINDINGS = 9
"""Entries that a screen can hold at two lines each, beside its heading and its end."""
MAX_TITLE_CHARACTERS = 120
"""Of a rule's title: two lines; titles of the bundled rules have under ninety."""
MAX_WHERE_CHARACTERS = 180
"""Of device and packet, whose names are recorded or typed: three lines."""
MAX_STEP_CHARACTERS = 180
"""Of the first step: three lines; the whole stands in the complete report."""

MAX_NAMED_DEVICES = 5
"""Judged devices named above the verdict; the complete report lists them all."""
MAX_NAME_CHARACTERS = 80
"""Of one device's name there: a line."""

ALL_OPTION = "--all"


def tell_brief(document: ShownDocument, titles: Mapping[str, str]) -> Outline:
    """Outline of ``audit`` on a terminal; ``titles`` are those of the rules, by id."""
    require_shown(document)
    blocks = [
        Heading(1, "Lighting network report"),
        *_judged(document),
        *privacy_note(document),
        *verdict_section(document),
    ]
    entry = nothing_judged(document)
    if entry is not None:
        blocks.append(Paragraph(f"Record next: {wording.sentence(entry['record_next'])}"))
    return [
        *blocks,
        *coverage_section(document),
        *findings_screen(document, titles),
        *plan_summary(document),
    ]


def _judged(document: Document) -> Outline:
    name = traffic.names_of(document)
    chosen = [name(device["device_id"]) for device in document["devices"] if device["is_chosen"]]
    if not chosen:
        return []
    more = len(chosen) - MAX_NAMED_DEVICES
    named = [_short(text, MAX_NAME_CHARACTERS) for text in chosen[:MAX_NAMED_DEVICES]]
    return [Paragraph(f"Judged: {', '.join(named)}{f' and {more} more' if more > 0 else ''}.")]


def findings_screen(document: Document, titles: Mapping[str, str]) -> Outline:
    """The gravest findings, as many as one screen holds, and how to see the rest."""
    groups = _alike(document["findings"])
    entries = [
        _entry(place, group, titles, document)
        for place, group in enumerate(groups[:MAX_SCREEN_FINDINGS], start=1)
    ]
    for count in range(len(entries), -1, -1):
        screen = _screen(document, entries[:count], groups[count:])
        if len(render_text(screen, columns=COLUMNS).splitlines()) <= MAX_SCREEN_LINES:
            return screen
    return screen


def _screen(document: Document, entries: list[Fields], left: list[Alike]) -> Outline:
    blocks: Outline = [Heading(2, f"Findings ({len(document['findings'])})")]
    if entries:
        blocks.append(Fields(tuple(pair for entry in entries for pair in entry.pairs)))
    elif not left:
        blocks.append(Paragraph("None. That is no proof of absence."))
    counts: Counter[str] = Counter()
    for one, number in left:
        counts[one["severity"]] += number
    said = ", ".join(f"{counts[word]} {word}" for word in reversed(SEVERITY_ORDER) if counts[word])
    more = f"And {sum(counts.values())} more: {said}. " if said else ""
    rest = "evidence, devices, contacts, open questions, next check and cautions"
    blocks.append(Paragraph(f"{more}For all of it, with {rest}: auditor audit {ALL_OPTION}"))
    return blocks


def _alike(findings: list[Document]) -> list[Alike]:
    """In the order of the first ones, which is that of severity."""
    first: dict[tuple[str, str, str], Document] = {}
    counts: Counter[tuple[str, str, str]] = Counter()
    for one in findings:
        key = (one["rule_id"], one["device_id"], one["severity"])
        first.setdefault(key, one)
        counts[key] += 1
    return [(one, counts[key]) for key, one in first.items()]


def _entry(place: int, group: Alike, titles: Mapping[str, str], document: Document) -> Fields:
    one, number = group
    where = [one["rule_id"]]
    if [one["device_id"]] != [device["device_id"] for device in document["devices"] if device["is_chosen"]]:
        where.append(traffic.names_of(document)(one["device_id"]))
    if one["evidence"]:
        first = one["evidence"][0]
        of_file = f" of {first['capture']}" if len(document["captures"]) > 1 else ""
        where.append(f"packet {first['packet']}{of_file}")
    if number > 1:
        where.append(f"{number} of this kind")
    pairs = [
        (f"{place}. {one['severity'].upper()}:", _short(title_of(one, titles), MAX_TITLE_CHARACTERS)),
        ("", _short(", ".join(where), MAX_WHERE_CHARACTERS)),
    ]
    if one["remediation"] and one["severity"] != "info":
        pairs.append(("", _short(f"To do: {one['remediation'][0]['do']}", MAX_STEP_CHARACTERS)))
    return Fields(tuple(pairs))


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 3].rstrip()}..."
