"""
The printed report in order: verdict, coverage, devices, findings, traffic, limits, cautions.

Every sentence is read from the redacted document; text and Markdown render the
same outline, so they hold the same content.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any

from auditor.redaction.documents import ShownDocument, require_shown
from auditor.redaction.redact import WITHHELD
from auditor.report import traffic, wording
from auditor.report.catalogue import load_catalogue
from auditor.report.grid import coverage_grid
from auditor.report.outline import Fields, Heading, Items, Outline, Paragraph, Table, private_mark
from auditor.report.pictures.contacts_text import contacts_rows
from auditor.report.plan import plan_summary
from auditor.report.verdict import Urgency, nothing_judged, reach_verdict

Document = dict[str, Any]

MAX_SHOWN_FINDINGS = 100
"""Printed in full; the JSON document holds all."""
MAX_SHOWN_EVIDENCE = 3  # packets named in the text; the JSON holds the rest
MAX_SHOWN_RULES = 6
"""Of rules that share one open question; the others are counted."""

NEXT_CHECK_DAYS = 90
"""Our advice, no standard's: long enough to be done, short enough to notice new software or a new device."""

CAUTIONS = (
    "Record only networks that are yours or whose owner agreed: a recording holds everybody's talk.",
    "A recording can hold passwords and private names: keep it to yourself and delete it when done.",
    "Never cut off smoke, gas or burglar alarms, medical devices, door locks or emergency lighting.",
    "Anything that means opening a mains-powered device is work for a licensed electrician.",
    "While testing, do not let lights flash quickly where somebody may be sensitive to it.",
)


def tell_audit(document: ShownDocument, titles: Mapping[str, str] | None = None) -> Outline:
    """Outline of ``audit``; ``titles`` are those of the rules, by id; a rule without one keeps its id."""
    require_shown(document)
    return [
        Heading(1, "Lighting network report"),
        *privacy_note(document),
        *verdict_section(document),
        *coverage_section(document),
        *contacts_section(document),
        *traffic.devices_section(document),
        *_findings(document, titles or {}),
        *accepted_section(document),
        *open_questions_section(document),
        *traffic.remote_section(document),
        *traffic.local_section(document),
        *traffic.services_section(document),
        *traffic.controls_section(document),
        *limits_section(document),
        *next_check_section(document),
        *plan_summary(document),
        *cautions_section(),
    ]


def tell_check(document: ShownDocument) -> Outline:
    """Outline of ``check``: what the recording is good for, and the one thing to redo; no rules were run."""
    require_shown(document)
    blocks: Outline = [Heading(1, "What this recording can tell"), *privacy_note(document)]
    missing = document["coverage"]["could_not_see"]
    entry = nothing_judged(document)
    if entry is not None:
        blocks.append(
            Paragraph(f"Not usable to judge a lighting device: {wording.sentence(entry['reason'])}")
        )
    else:
        blocks.append(Paragraph("Usable. Run 'auditor audit' on it; no rule was run here."))
    if missing:
        first = entry or missing[0]
        blocks.append(Paragraph(f"The one thing to do next time: {first['record_next']}"))
    return [
        *blocks,
        *coverage_section(document),
        *traffic.devices_section(document),
        *limits_section(document),
        *cautions_section(),
    ]


def privacy_note(document: Document) -> Outline:
    """What is hidden, or that nothing is."""
    redaction = document["redaction"]
    if redaction["revealed"]:
        return private_mark(document)
    withheld = ", ".join(
        f"{row['problem']} {row['count']}" for row in document["issues"] if row["where"] == WITHHELD
    )
    text = (
        "Other people's devices appear as roles with pseudonyms; passwords and other secrets are never shown."
    )
    return [Paragraph(f"{text} Counted and not shown: {withheld}." if withheld else text)]


def verdict_section(document: Document) -> Outline:
    """The answer in one sentence, the first thing to do, and what limits both."""
    verdict = reach_verdict(document)
    blocks: Outline = [
        Heading(2, "Verdict"),
        Paragraph(f"{verdict.urgency.upper()}: {wording.sentence(verdict.sentence)}"),
    ]
    first = next(iter(document["findings"]), None)
    if first is not None and verdict.urgency in {Urgency.NOW, Urgency.CONVENIENT}:
        blocks.append(Paragraph(f"First: {first['household']}"))
    if verdict.limits:
        blocks.append(Items(verdict.limits))
    return blocks


def coverage_section(document: Document) -> Outline:
    """Where, how long and what was recorded, and the grid."""
    coverage = document["coverage"]
    pairs = [
        ("Recorded", wording.say(wording.VANTAGES, coverage["vantage"])),
        ("Length", wording.duration(coverage["duration_seconds"])),
    ]
    for capture in document["captures"]:
        span = (
            f"{wording.moment(capture['first_seen'])} to {wording.moment(capture['last_seen'])}"
            if capture["first_seen"]
            else "no packet"
        )
        size = f"{wording.plural(capture['packets'], 'packet')}, {wording.octets(capture['octets'])}"
        pairs.append(("File", f"{capture['name']}: {size}, {capture['format']}, {span}"))
        pairs += [("Issue", f"{issue['kind']}: {issue['detail']}") for issue in capture["issues"]]
    return [
        Heading(2, "What this recording could show"),
        Fields(tuple(pairs)),
        Table(("Question", "In this recording"), tuple(coverage_grid(document))),
        Paragraph(
            "'Not seen' and 'not tried' hold for this place and these minutes only; they prove no absence."
        ),
    ]


def contacts_section(document: Document) -> Outline:
    """The picture of who talks to whom, as far as letters draw it."""
    rows = contacts_rows(document, load_catalogue())
    return [
        Heading(2, "Who talks to whom"),
        Table(("Where", "From > to", "Whom, how often, and whether it can be read"), tuple(rows)),
    ]


def title_of(one: Document, titles: Mapping[str, str]) -> str:
    """Title of the rule that found it; its id where no title is known."""
    return titles.get(one["rule_id"], one["rule_id"])


def _findings(document: Document, titles: Mapping[str, str]) -> Outline:
    name = traffic.names_of(document)
    findings = document["findings"]
    blocks: Outline = [Heading(2, f"Findings ({len(findings)})")]
    if not findings:
        blocks.append(Paragraph("None. That is no proof of absence: see the open questions below."))
    for place, one in enumerate(findings[:MAX_SHOWN_FINDINGS], start=1):
        blocks += _finding(place, one, name, title_of(one, titles))
    if len(findings) > MAX_SHOWN_FINDINGS:
        left = len(findings) - MAX_SHOWN_FINDINGS
        blocks.append(Paragraph(f"And {left} more; --format json lists them all."))
    return blocks


def _finding(place: int, one: Document, name: Callable[[str], str], rule_title: str) -> Outline:
    pairs = [
        ("Device", name(one["device_id"])),
        ("In short", one["household"]),
        ("Seen", one["summary"]),
        ("Where", _evidence(one["evidence"])),
        ("Why here", one["rationale"]),
        ("How sure", sureness(one["confidence"])),
    ]
    for step in one["remediation"]:
        pairs += [
            ("What to do", step["do"]),
            ("What stops", step["stops"]),
            ("Test", step["test"]),
            ("Undo", step["undo"]),
        ]
    references = [reference_words(reference) for reference in one["references"]]
    if references:
        pairs.append(("Leans on", "; ".join(references)))
    pairs += [("Rule", one["rule_id"]), ("Identifier", one["finding_id"])]
    title = f"{place}. {one['severity'].upper()}: {rule_title}"
    return [Heading(3, title), Fields(tuple((label, text) for label, text in pairs if text))]


def sureness(confidence: str) -> str:
    """Whether it was seen or inferred."""
    if confidence == "seen":
        return "seen in the recording itself"
    return "inferred: part of it was not in the recording"


def _evidence(evidence: list[Document]) -> str:
    parts = []
    for item in evidence[:MAX_SHOWN_EVIDENCE]:
        when = f" at {wording.moment(item['time'])}" if item["time"] else ""
        excerpt = f" ({item['excerpt']})" if item["excerpt"] else ""
        parts.append(f"packet {item['packet']} of {item['capture']}{when}{excerpt}")
    if len(evidence) > MAX_SHOWN_EVIDENCE:
        parts.append(f"{len(evidence) - MAX_SHOWN_EVIDENCE} more in --format json")
    return "; ".join(parts)


def reference_words(reference: Document) -> str:
    """Standard, clause and strength."""
    strength = f" ({reference['strength']})" if reference["strength"] else ""
    return f"{reference['standard']} {reference['clause']}{strength}"


def accepted_section(document: Document) -> Outline:
    """What the household accepted; nothing where there is none."""
    if not document["accepted"]:
        return []
    name = traffic.names_of(document)
    again = {one["finding_id"] for one in document["findings"]}
    texts = []
    for one in document["accepted"]:
        state = "accepted until" if one["finding_id"] not in again else "was accepted, and counts again since"
        texts.append(
            f"{one['severity']} {one['rule_id']}, {name(one['device_id'])}: {one['summary']} "
            f"({state} {one['until']}, because: {one['because']})"
        )
    return [Heading(2, f"Accepted by the household ({len(texts)})"), Items(traffic.shown(texts))]


def open_questions_section(document: Document) -> Outline:
    """Undetermined outcomes, those with one remedy together."""
    name = traffic.names_of(document)
    groups: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for one in document["assessments"]:
        if one["outcome"] == "undetermined":
            groups[one["device_id"], one["reason"], one["record_next"] or ""].append(one["rule_id"])
    if not groups:
        return []
    total = sum(map(len, groups.values()))
    texts = []
    for (device_id, reason, record_next), rules in groups.items():
        listed = ", ".join(rules[:MAX_SHOWN_RULES])
        if len(rules) > MAX_SHOWN_RULES:
            listed += f" and {len(rules) - MAX_SHOWN_RULES} more"
        texts.append(f"{name(device_id)}: {listed}. {wording.sentence(reason)} Record next: {record_next}")
    return [
        Heading(2, f"Open questions ({total})"),
        Paragraph("The recording could not show the answer. None of these counts as good."),
        Items(traffic.shown(texts)),
    ]


def limits_section(document: Document) -> Outline:
    """What could not be seen or read, and what each answer is limited to."""
    blocks: Outline = [Heading(2, "What could not be seen, and what to record next")]
    entries = document["coverage"]["could_not_see"]
    if entries:
        texts = [
            f"{row['question']} {wording.sentence(row['reason'])} Record next: {row['record_next']}"
            for row in entries
        ]
        blocks.append(Items(traffic.shown(texts)))
    scopes = dict.fromkeys(one["scope"] for one in document["assessments"] if one["scope"])
    general = "Whatever happened before, after or elsewhere; the inside of encrypted content; other networks."
    blocks.append(Paragraph(f"Always: {general}"))
    if scopes:
        blocks.append(Paragraph("Every 'not found' is limited to this: " + " ".join(scopes)))
    unread = [row for row in document["issues"] if row["where"] != WITHHELD]
    if unread:
        texts = [f"{row['where']}: {row['problem']} ({row['count']})" for row in unread]
        blocks += [Paragraph("Could not be read:"), Items(traffic.shown(texts))]
    return blocks


def next_check_section(document: Document) -> Outline:
    """Counted from the recording, never from today: the same input gives the same report."""
    last = max((capture["last_seen"] or "" for capture in document["captures"]), default="")
    text = "Record again after an update, a new device or a change of the network"
    try:
        day = date.fromisoformat(last[:10]) + timedelta(days=NEXT_CHECK_DAYS)
    except (ValueError, OverflowError):
        return [Heading(2, "Next check"), Paragraph(f"{text}.")]
    return [Heading(2, "Next check"), Paragraph(f"{text}, and not later than {day.isoformat()}.")]


def cautions_section() -> Outline:
    """What holds for every report."""
    return [Heading(2, "Cautions"), Items(CAUTIONS)]
