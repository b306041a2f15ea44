"""Devices, services, contacts and control as tables of few columns, so that a telephone shows them whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from auditor.report import traffic, wording
from auditor.report.html.blocks import fields
from auditor.report.html.element import Child, Html, join, tag
from auditor.report.html.page import fold, table

Document = dict[str, Any]

MAX_OPEN_ROWS = 20
"""Of one table before the others fold away: about a screen."""
MAX_TABLE_ROWS = 2_000
"""Of one table: more make a page that browsers scroll badly; the JSON document holds all."""


def folded_table(headers: Sequence[str], rows: Sequence[Sequence[Child]], *, caption: str, noun: str) -> Html:
    """The first rows in sight, the rest folded, what is beyond the bound counted."""
    if not rows:
        return tag("p", traffic.NOTHING_SEEN)
    parts: list[Child] = [table(headers, rows[:MAX_OPEN_ROWS], caption=caption)]
    rest = rows[MAX_OPEN_ROWS:MAX_TABLE_ROWS]
    if rest:
        words = f"{wording.plural(len(rest), f'more {noun}')}"
        parts.append(fold(words, table(headers, rest, caption=f"{caption}, continued")))
    left = len(rows) - MAX_TABLE_ROWS
    if left > 0:
        parts.append(tag("p", f"And {left} more; --format json lists them all."))
    return join(parts)


def devices(document: Document) -> Html:
    """The judged ones with reasons, the others as a table."""
    name = traffic.names_of(document)
    chosen = [device for device in document["devices"] if device["is_chosen"]]
    others = [device for device in document["devices"] if not device["is_chosen"]]
    parts: list[Child] = []
    if not chosen:
        parts.append(tag("p", "None. No device could be judged."))
    for device in chosen[:MAX_OPEN_ROWS]:
        parts += [tag("h3", name(device["device_id"])), fields(traffic.about_device(device))]
    rest = chosen[MAX_OPEN_ROWS:MAX_TABLE_ROWS]
    if rest:
        bodies = [
            join([tag("h4", name(device["device_id"])), fields(traffic.about_device(device))])
            for device in rest
        ]
        parts.append(fold(f"{len(rest)} more judged devices", *bodies))
    if others:
        rows = [_other(device, name) for device in others]
        parts += [
            tag("h3", "Other devices in the recording"),
            folded_table(("Device", "What is known of it"), rows, caption="Not judged", noun="device"),
        ]
    return join(parts)


def _other(device: Document, name: Callable[[str], str]) -> tuple[str, str]:
    called, _, about = traffic.other_device(device, name).partition(": ")
    return called, about


def services(document: Document) -> Html:
    """What listens, answered or was announced."""
    name = traffic.names_of(document)
    rows = []
    for row in document["services"]:
        places = ", ".join(wording.say(wording.PLACES, place) for place in row["reached_from"])
        state = {
            "announced": "announced only; nobody contacted it, so whether it is open was not seen",
            "answered": f"answered, {wording.say(wording.CONFIDENTIALITY, row['confidentiality'])}",
        }.get(row["state"], row["state"])
        rows.append(
            (
                f"{traffic.port_words(row)} ({row['family']})",
                name(row["device_id"]),
                wording.joined(
                    [state, f"from {places}" if places else "", traffic.packet(row["first_packet"])]
                ),
            )
        )
    return folded_table(("Service", "Device", "What was seen"), rows, caption="What listens", noun="service")


def contacts(document: Document) -> Html:
    """Whom the devices contact outside and at home."""
    parts: list[Child] = []
    for heading, caption, texts in (
        ("Outside the home", "Contacts outside", traffic.remote_texts(document)),
        ("Inside the home", "Contacts at home", traffic.local_texts(document)),
    ):
        rows = [_parted(text) for text in texts]
        headers = ("Who contacts whom", "How, how much and when")
        parts += [tag("h3", heading), folded_table(headers, rows, caption=caption, noun="contact")]
    return join(parts)


def controls(document: Document) -> Html:
    """Who read, changed, configured or re-programmed a device."""
    rows = [_parted(text) for text in traffic.control_texts(document)]
    return folded_table(("Who did what", "How, and what came of it"), rows, caption="Control", noun="request")


def _parted(text: str) -> tuple[str, str]:
    lead, _, rest = text.partition("; ")
    return lead, rest
