"""
The plan as plain data (house section 9, key ``plan``), and as a printed report.

Like every other part of the document it is built unredacted and passes the gate
before anything is shown; the printed form reads the redacted document alone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from auditor.addresses import format_address
from auditor.flows.flow import PacketReference
from auditor.home.model import Keep
from auditor.isolation.model import LIGHTS, ROUTER, Entry, Layout, Plan, WishResult
from auditor.isolation.plan import Proposal, label_devices
from auditor.isolation.steps import CAUTIONS, selector_words
from auditor.redaction.documents import ShownDocument, require_shown
from auditor.report import traffic, wording
from auditor.report.document import capture_names
from auditor.report.outline import Heading, Items, Outline, Paragraph, Table, private_mark

Document = dict[str, Any]

ROUTER_WORDS = {
    "nothing": "the router at hand, as it is",
    "guest": "a router with a guest network",
    "vlan": "a router that makes segments of its own, VLAN",
    "second-router": "a second router",
}
ENFORCED_WORDS = {
    "router-forward": "",  # said by its two ends, as is the next
    "router-input": "",
    "access-point": "done by the access point",
    "host": "done by the device itself",
}
STATE_WORDS = {
    "kept": "goes on",
    "needs-exception": "goes on through an exception",
    "broken": "BROKEN",
    "unknown": "not known",
}


def build_plan(proposal: Proposal) -> Document:
    """Unredacted: the recommended plan with all alternatives."""
    inventory = proposal.inventory
    names = capture_names(inventory.captures)
    label = label_devices(inventory)

    def reference(packet: PacketReference) -> Document:
        return {"capture": names[packet.capture_index], "packet": packet.packet_number}

    def one(plan: Plan) -> Document:
        return _plan(plan, proposal, label, reference)

    return {**one(proposal.recommended), "alternatives": [one(plan) for plan in proposal.alternatives]}


def build_plan_summary(plan: Plan) -> Document:
    """Unredacted: of a plan the two lines that an audit ends with; what is told nowhere is left empty."""
    return {"summary": list(plan.summary), "segments": [], "placements": [], "alternatives": []}


def _plan(
    plan: Plan,
    proposal: Proposal,
    label: Callable[[str], str],
    reference: Callable[[PacketReference], Document],
) -> Document:
    layout = plan.layout
    prefix = proposal.addressing.lights_prefix
    return {
        "layout": layout.layout_id,
        "title": layout.title,
        "router": layout.router,
        "summary": list(plan.summary),
        "segments": [
            *(
                {
                    "name": segment.name,
                    "description": segment.description,
                    "clients_reach_each_other": segment.clients_reach_each_other,
                    "prefix": str(prefix)
                    if segment.name == LIGHTS and layout.router == "vlan" and prefix is not None
                    else None,
                }
                for segment in layout.segments
            )
        ],
        "placements": [
            {
                "device_id": device.device_id,
                "segment": ROUTER
                if device.device_id in proposal.classes.parties.routers
                else layout.segment_of(device.device_id),
                "moves": device.device_id in layout.moves,
                "address": _planned_address(layout, device.device_id, proposal),
            }
            for device in proposal.inventory.devices
        ],
        "entries": [
            _entry(place, entry, label, reference) for place, entry in enumerate(layout.entries, start=1)
        ],
        "wishes": [_wish(wish, reference) for wish in plan.wishes],
        "steps": [
            {"do": step.do, "stops": step.stops, "test": step.test, "undo": step.undo} for step in plan.steps
        ],
        "replay": {
            "kept": plan.replay.kept,
            "cut": plan.replay.cut,
            "broken": plan.replay.broken,
            "still_exposed": plan.replay.still_exposed,
            "unknown": plan.replay.unknown,
        },
        "exceptions": plan.exceptions,
        "beside_the_rules": list(plan.beside),
        "does_not_protect": list(layout.does_not_protect),
        "not_known": list(plan.unknown),
        "cautions": list(CAUTIONS),
        "alternatives": [],
    }


def _planned_address(layout: Layout, device_id: str, proposal: Proposal) -> str | None:
    planned = proposal.addressing.planned.get(device_id)
    if planned is None or layout.router != "vlan" or device_id not in layout.moves:
        return None
    return format_address(planned)


def _entry(
    place: int,
    entry: Entry,
    label: Callable[[str], str],
    reference: Callable[[PacketReference], Document],
) -> Document:
    return {
        "order": place,
        "from": selector_words(entry.source, label, is_source=True),
        "to": selector_words(entry.destination, label, is_source=False),
        "transport": entry.transport,
        "port": entry.port,
        "message_types": list(entry.message_types),
        "family": entry.family,
        "direction": entry.direction,
        "forwarding": entry.forwarding,
        "enforced_by": entry.enforced_by,
        "is_exception": entry.is_exception,
        "reason": entry.reason,
        "because": [reference(packet) for packet in entry.because],
    }


def _wish(wish: WishResult, reference: Callable[[PacketReference], Document]) -> Document:
    return {
        "wish": keep_words(wish.keep),
        "assumed": wish.is_assumed,
        "state": wish.state,
        "because": wish.because,
        "packets": [reference(packet) for packet in wish.packets],
    }


def keep_words(keep: Keep) -> str:
    """A wish as one line: ``light-follows-hub from shelf light to hub``."""
    words: list[str] = [keep.wish]
    if keep.from_device:
        words.append(f"from {keep.from_device}")
    if keep.to_device:
        words.append(f"to {keep.to_device}")
    return " ".join(words)


def tell_plan(document: ShownDocument) -> Outline:
    """Outline of ``plan``; the first line says what the recommended plan breaks."""
    require_shown(document)
    plan = document["plan"]
    if plan is None:
        reasons = [row["reason"] for row in document["coverage"]["could_not_see"][:1]]
        advice = [row["record_next"] for row in document["coverage"]["could_not_see"][:1]]
        return [
            Heading(1, "Isolation plan"),
            Paragraph(f"No plan: {wording.sentence(reasons[0]) if reasons else 'nothing could be judged.'}"),
            *(Paragraph(f"Record next: {text}") for text in advice),
            *private_mark(document),
        ]
    in_text = traffic.naming_in_text(document)
    blocks: Outline = [
        Heading(1, "Isolation plan"),
        *(Paragraph(line) for line in plan["summary"]),
        *private_mark(document),
        Paragraph(
            f"It needs {ROUTER_WORDS[plan['router']]}."
            + (" A cheaper plan, and doing nothing, stand at the end." if _doing_nothing(plan) > 0 else "")
        ),
        Heading(2, "Before you do this"),
        Items(tuple(plan["cautions"])),
        Heading(2, "What must go on"),
    ]
    blocks += _wishes(plan, in_text)
    blocks += [Heading(2, "Steps")]
    for place, step in enumerate(plan["steps"], start=1):
        blocks += [
            Heading(3, f"Step {place}"),
            Paragraph(in_text(step["do"])),
            Items((f"Stops: {step['stops']}", f"Test: {step['test']}", f"Undo: {step['undo']}")),
        ]
    if plan["entries"]:
        blocks += [
            Heading(2, "Entries, in this order"),
            Paragraph(
                "The first that matches decides about whoever begins; replies, and errors about what was let "
                "through, pass by state."
            ),
            Items(tuple(in_text(_entry_line(entry)) for entry in plan["entries"])),
        ]
    for title, key in (
        ("Beside the rules", "beside_the_rules"),
        ("What this does not protect", "does_not_protect"),
        ("What is not known", "not_known"),
    ):
        if plan[key]:
            blocks += [Heading(2, title), Items(tuple(map(in_text, plan[key])))]
    blocks += [
        *_others(plan),
        Paragraph(
            "Still exposed: a finding of low or more is about it. Every number above is of this recording; "
            "what was not recorded was not tried."
        ),
    ]
    return blocks


def plan_summary(document: Document) -> Outline:
    """The end of an audit: two lines, where a plan is possible."""
    plan = document["plan"]
    if plan is None:
        return []
    return [
        Heading(2, "Isolation"),
        *(Paragraph(line) for line in plan["summary"]),
    ]


def _wishes(plan: Document, in_text: Callable[[str], str]) -> Outline:
    if not plan["wishes"]:
        return [Paragraph("Nothing: no wish is written down, and none could be taken from the recording.")]
    rows = tuple(
        (wish["wish"], STATE_WORDS[wish["state"]], in_text(wish["because"])) for wish in plan["wishes"]
    )
    blocks: Outline = [Table(("Wish", "State", "Because"), rows)]
    if any(wish["assumed"] for wish in plan["wishes"]):
        blocks.append(
            Paragraph(
                "No wishes are written down; these were taken from what was recorded. Write a home file to "
                "say what must go on."
            )
        )
    return blocks


def _entry_line(entry: Document) -> str:
    family = {"ipv4": "IPv4", "ipv6": "IPv6", None: "IPv4 and IPv6"}[entry["family"]]
    what = entry["transport"] or "everything"
    if entry["port"] is not None:
        what += f" port {entry['port']}"
    packets = ", ".join(str(one["packet"]) for one in entry["because"])
    because = f"; packet{'s' if len(entry['because']) > 1 else ''} {packets}" if packets else ""
    where = ENFORCED_WORDS[entry["enforced_by"]]
    mark = "EXCEPTION, " if entry["is_exception"] else ""
    return (
        f"{entry['order']}. {mark}{entry['forwarding']}: {entry['from']} to {entry['to']}, {what}, {family} "
        f"({entry['reason']}{because}{f'; {where}' if where else ''})"
    )


def _doing_nothing(plan: Document) -> int:
    """Place of the plan that changes nothing among the others; before it stands the cheaper one."""
    layouts = [other["layout"] for other in plan["alternatives"]]
    return layouts.index("as-it-is") if "as-it-is" in layouts else -1


def _others(plan: Document) -> Outline:
    """The best plan of less effort, doing nothing, and the rest; they come in this order."""
    alternatives, at = plan["alternatives"], _doing_nothing(plan)
    blocks: Outline = [Heading(2, "Other plans")]
    for title, found in (
        ("Cheaper: the best one of less effort", alternatives[: max(at, 0)]),
        ("Nothing but this router", alternatives[at : at + 1] if at >= 0 else []),
        ("The rest, least effort first", alternatives[at + 1 :]),
    ):
        if found:
            blocks += [Heading(3, title), Items(tuple(map(_alternative, found)))]
    return blocks


def _alternative(other: Document) -> str:
    replay = other["replay"]
    return (
        f"{other['summary'][0]} Flows: {replay['kept']} go on ({replay['still_exposed']} still exposed), "
        f"{replay['cut']} stop ({replay['broken']} wished for), {replay['unknown']} not known. Exceptions: "
        f"{other['exceptions']}. Needs {ROUTER_WORDS[other['router']]} ({other['layout']})."
    )
