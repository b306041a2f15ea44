"""
The comparison as plain data (house section 9, key ``comparison``), and as a printed report.

Built unredacted like every other part; the printed form reads the redacted document alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from auditor.comparison.conversations import stopped_by
from auditor.comparison.model import Comparison, Conversation, Tries
from auditor.flows.flow import PacketReference
from auditor.inventory.model import Inventory
from auditor.redaction.documents import ShownDocument, require_shown
from auditor.report import traffic, wording
from auditor.report.document import capture_names
from auditor.report.outline import Heading, Items, Outline, Paragraph, Table, private_mark
from auditor.report.plan import keep_words
from auditor.report.verdict import nothing_judged

Document = dict[str, Any]

RULES = ("isolation-broken", "isolation-holds", "not-separated", "announcement-relayed")
"""What this report tells of the findings; the others are those of an audit of the second recording."""
TITLES = {
    "stopped": "Tried and stopped",
    "works": "Still works",
    "new": "New after the change",
    "not-tried": "Not tried in the second recording: nothing is proven",
    "not-visible": "Not visible",
}
FAMILIES = {"ipv4": "IPv4", "ipv6": "IPv6"}


def build_comparison(comparison: Comparison, before: Inventory, after: Inventory) -> Document:
    """Unredacted."""
    names = [capture_names(inventory.captures) for inventory in (before, after)]
    return {
        "before": {
            "captures": names[0],
            "vantage": before.coverage.vantage,
            "duration_seconds": round(before.coverage.duration_seconds, 9),
        },
        "conversations": [_conversation(row, names) for row in comparison.conversations],
        "wishes": [
            {
                "wish": keep_words(wish.keep),
                "assumed": wish.is_assumed,
                "state": wish.state,
                "because": wish.because,
            }
            for wish in comparison.wishes
        ],
        "notes": list(comparison.notes),
    }


def _conversation(row: Conversation, names: Sequence[list[str]]) -> Document:
    return {
        "device_id": row.device_id,
        "peer_id": row.peer,
        "begun_by": "device" if row.begun_by_device else "peer",
        "place": row.place,
        "family": row.key.family,
        "transport": row.key.transport,
        "port": row.key.port,
        "before": _tries(row.before, names[0]),
        "after": _tries(row.after, names[1]),
        "state": row.state,
        "proven": row.proven,
        "wished": row.wished,
        "stopped_by": stopped_by(row.after) if row.state == "stopped" and row.after else None,
        "because": row.because,
    }


def _tries(tries: Tries | None, names: list[str]) -> Document | None:
    if tries is None:
        return None
    packet: PacketReference = tries.packets[0]
    return {
        "flows": tries.flows,
        "answered": tries.answered,
        "outcomes": dict(sorted(tries.outcomes.items())),
        "first_packet": {"capture": names[packet.capture_index], "packet": packet.packet_number},
    }


def tell_comparison(document: ShownDocument) -> Outline:
    """Outline of ``compare``; the first line says what is broken or lost, before anything that holds."""
    require_shown(document)
    comparison = document["comparison"]
    name, in_text = _names(document), traffic.naming_in_text(document)
    blocks: Outline = [Heading(1, "Before and after"), *map(Paragraph, _verdict(document))]
    blocks += private_mark(document)
    if comparison["notes"]:
        blocks.append(Items(tuple(map(in_text, comparison["notes"]))))
    if comparison["wishes"]:
        wishes = tuple((one["wish"], one["state"], in_text(one["because"])) for one in comparison["wishes"])
        blocks += [Heading(2, "What must go on"), Table(("Wish", "State", "Because"), wishes)]
    through = [one for one in comparison["conversations"] if _gets_through(one)]
    if through:
        blocks += [
            Heading(2, f"Still reaches the home, and no wish asks for it ({len(through)})"),
            Items(traffic.shown([_line(one, name) for one in through])),
        ]
    for state, title in TITLES.items():
        rows = [one for one in comparison["conversations"] if one["state"] == state and one not in through]
        if not rows:
            continue
        blocks.append(Heading(2, f"{title} ({len(rows)})"))
        if state == "new":
            blocks.append(
                Paragraph(
                    "Not in the first recording: fallbacks that the block uncovered, or what the device did "
                    "not do in those minutes; no deterioration. Extend the rule where you do not want them."
                )
            )
        blocks.append(Items(traffic.shown([_line(one, name) for one in rows])))
    if comparison["conversations"]:  # those of files that are no pair say nothing about a change
        blocks += _findings(document, name)
    blocks += [
        Heading(2, "What this comparison rests on"),
        Paragraph(
            f"First recording: {', '.join(comparison['before']['captures'])}, "
            f"{wording.duration(comparison['before']['duration_seconds'])}. Second recording: "
            f"{', '.join(one['name'] for one in document['captures'])}, "
            f"{wording.duration(document['coverage']['duration_seconds'])}. Each row holds for these minutes "
            "and these places alone; who moved is told by identity, not by address."
        ),
    ]
    return blocks


def _gets_through(one: Document) -> bool:
    """What ``isolation-broken`` is about: begun by the device, answered by the home, wished for by nobody."""
    is_answered = one["state"] in {"works", "new"}
    return one["place"] == "home" and one["begun_by"] == "device" and is_answered and not one["wished"]


def _verdict(document: Document) -> list[str]:
    entry = nothing_judged(document)
    comparison = document["comparison"]
    lines = []
    broken = [one for one in document["findings"] if one["rule_id"] == "isolation-broken"]
    lost = [one["wish"] for one in comparison["wishes"] if one["state"] == "lost"]
    rows = comparison["conversations"]
    states = Counter(one["state"] for one in rows)
    proven = [one for one in rows if one["proven"]]
    walled = [one for one in rows if one["place"] == "home" and one["begun_by"] == "device"]
    if broken:
        lines.append(f"ISOLATION BROKEN: {_families(walled)}.")
    if lost:
        lines.append(f"WISH LOST: {', '.join(lost)}.")
    if entry is not None:
        lines.append(f"WE CANNOT TELL: {wording.sentence(entry['reason'])}")
        lines.append(wording.sentence(f"What to do: {entry['record_next']}"))
        return lines
    if not broken and any(one["proven"] for one in walled):
        lines.append(f"{wording.sentence(_families(walled))}")
    if not broken and not any(one["state"] == "stopped" for one in walled):
        lines.append("No attempt at the rest of the home was stopped, so that no wall is proven.")
    lines.append(
        f"Proven cut: {len(proven)}; still works: {states['works']}; new: {states['new']}; not tried: "
        f"{states['not-tried']}; not visible: {states['not-visible']}. What was not tried is not proven."
    )
    fates = Counter(one["state"] for one in comparison["wishes"])
    if fates:
        lines.append(f"Wishes: {fates['kept']} kept, {fates['lost']} lost, {fates['not-tried']} not tried.")
    return lines


def _families(rows: list[Document]) -> str:
    parts = []
    for family, word in FAMILIES.items():
        mine = [one for one in rows if one["family"] == family]
        open_ones = list(filter(_gets_through, mine))
        if open_ones:
            where = ", ".join(dict.fromkeys(f"{one['transport']} port {one['port']}" for one in open_ones))
            parts.append(f"isolation does not hold for {word} ({where} still reaches the home)")
        elif any(one["proven"] for one in mine):
            parts.append(f"what was tried over {word} was stopped")
        elif any(one["state"] == "stopped" for one in mine):
            parts.append(
                f"over {word} an attempt had no answer, and the first recording does not show that it had one"
            )
        else:
            parts.append(f"over {word} nothing was tried")
    return "; ".join(parts)


def _names(document: Document) -> Callable[[str], str]:
    known = traffic.names_of(document)

    def name(identifier: str) -> str:
        if identifier.startswith("outside:"):
            return f"{identifier.removeprefix('outside:')} (outside)"
        words = {"router": "the router", "home": "another address of the home"}
        return words.get(identifier) or known(identifier)

    return name


def _line(one: Document, name: Callable[[str], str]) -> str:
    ends = [name(one["device_id"]), name(one["peer_id"])]
    if one["begun_by"] == "peer":
        ends.reverse()
    port = f" port {one['port']}" if one["port"] else ""
    family = FAMILIES.get(one["family"], one["family"])
    wished = "; wished for" if one["wished"] else ""
    mark = "PROVEN CUT: " if one["proven"] else ""
    return f"{mark}{ends[0]} to {ends[1]}, {one['transport']}{port}, {family}: {one['because']}{wished}"


def _findings(document: Document, name: Callable[[str], str]) -> Outline:
    found = [one for one in document["findings"] if one["rule_id"] in RULES]
    texts = []
    for one in found:
        packets = ", ".join(str(item["packet"]) for item in one["evidence"][:3])
        steps = " ".join(step["do"] for step in one["remediation"])
        texts.append(
            f"{one['severity'].upper()} {one['rule_id']}, {name(one['device_id'])}: {one['summary']} "
            f"(packet {packets}) {one['rationale']} What to do: {steps}"
        )
    others = len(document["findings"]) - len(found)
    blocks: Outline = []
    if texts:
        blocks = [Heading(2, "Findings about the separation"), Items(traffic.shown(texts))]
    if others:
        blocks.append(
            Paragraph(
                f"{wording.plural(others, 'other finding')} of the second recording: see 'auditor audit'."
            )
        )
    return blocks
