"""
Before and after a change: a row for each peer and address family, what was so in each recording side by side.

Arrows begin at the opener; a bar says tried and stopped, a ring not seen, a
triangle not tried, and the word stands below each.  Wishes stand under the rows.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Names
from auditor.report.pictures.drawing import BAND, LINE_HEIGHT, Drawing, Picture, fit
from auditor.report.pictures.shapes import draw_shape

Document = dict[str, Any]

MAX_ROWS = 12
"""Drawn; the report lists every conversation."""
MAX_PORTS = 3
"""Named in one row."""

_STATES = ("new", "works", "stopped", "not-tried", "not-visible")
"""What still goes through first: it is what somebody has to look at."""
_FAMILIES = {"ipv4": "IPv4", "ipv6": "IPv6"}
_WISH_SHAPES = {"kept": "disc", "lost": "crossed", "not-tried": "triangle"}
_PAD = 12


@dataclass(slots=True)
class _Row:
    """Conversations that look alike."""

    before: str
    ports: set[int] = field(default_factory=set)


_Key = tuple[str, str, str, str, str]
"""Zone, peer, who began, family, state."""


def draw_before_after(document: Document, words: Catalogue, *, width_mm: int = 86) -> Picture | None:
    """Draw the ``comparison`` of a redacted document; None where no conversation was compared."""
    rows = _gather(document, words)
    if not rows:
        return None
    drawing = Drawing("before-after", width_mm)
    label = drawing.width * 46 // 100
    cell = (drawing.width - label) // 2
    heads = [words.say("picture.before"), words.say("picture.after")]
    y = 0
    for place, head in enumerate(heads):
        drawing.lines(label + place * cell + _PAD, y, [head], width=cell - _PAD, bold=True)
    y += LINE_HEIGHT + 6
    shown = sorted(rows.items(), key=lambda item: _order(item[0]))[:MAX_ROWS]
    shown.sort(key=lambda item: (item[0][0] != "home", _order(item[0])))
    zone = ""
    said = []
    for (where, peer, opener, family, state), row in shown:
        if where != zone:
            zone = where
            title = words.say(f"picture.band.{zone}")
            drawing.box(0, y, drawing.width, LINE_HEIGHT + 8, fill=BAND, stroke=0, round_=6)
            y = drawing.lines(_PAD, y + 4, [title], width=drawing.width, bold=True) + 8
        about = f"{_FAMILIES.get(family, family)}{_ports(row, words)}"
        lines = [*fit(peer, label - _PAD), *fit(about, label - _PAD)]
        drawing.lines(0, y, lines, width=label - _PAD)
        bottom = y + len(lines) * LINE_HEIGHT
        for place, what in enumerate((row.before, state)):
            bottom = max(
                bottom, _cell(drawing, label + place * cell + _PAD, y, cell - _PAD, opener, what, words)
            )
        y = bottom + 8
        drawing.line(0, y - 4, drawing.width, y - 4, thick=1)
        begun = words.say(f"picture.begun.{opener}")
        told = [words.say(f"picture.state.{what}") for what in (row.before, state)]
        said.append(f"{peer}, {about}, {begun}: {heads[0]} {told[0]}, {heads[1]} {told[1]}")
    left = len(rows) - len(shown)
    if left:
        y = drawing.lines(0, y, [words.count("picture.more-rows", left)], width=drawing.width) + 8
        said.append(words.count("picture.more-rows", left))
    y = _wishes(drawing, document, words, y, said)
    return drawing.finish(y + 4, title=words.say("picture.before-after.title"), description="; ".join(said))


def _order(key: _Key) -> tuple[int, _Key]:
    return _STATES.index(key[4]), key


def _gather(document: Document, words: Catalogue) -> dict[_Key, _Row]:
    names = Names(document["devices"], words)
    rows: dict[_Key, _Row] = {}
    ports: dict[_Key, set[int]] = defaultdict(set)
    for one in document["comparison"]["conversations"]:
        if one["place"] == "group":
            continue
        zone = "outside" if one["place"] == "outside" else "home"
        before = _before(one["before"])
        key = zone, _peer(one["peer_id"], names, words), one["begun_by"], one["family"], one["state"]
        row = rows.setdefault(key, _Row(before))
        if before == "works":  # of several conversations the one that went through says more
            row.before = before
        if one["transport"] in {"tcp", "udp"}:
            ports[key].add(one["port"])
    for key, found in ports.items():
        rows[key].ports = found
    return rows


def _before(tries: Document | None) -> str:
    if tries is None:
        return "not-seen"
    return "works" if tries["answered"] else "stopped"


def _peer(peer: str, names: Names, words: Catalogue) -> str:
    if peer.startswith("outside:"):
        name = peer.removeprefix("outside:")
        letters = any(character.isalpha() for character in name) and ":" not in name
        return name if letters else words.say("picture.contacts.outside.nameless")
    if peer == "router":
        return words.say("picture.role.router")
    return words.say("picture.role.unknown") if peer == "home" else names(peer)


def _ports(row: _Row, words: Catalogue) -> str:
    if not row.ports:
        return ""
    first = ", ".join(map(str, sorted(row.ports)[:MAX_PORTS]))
    more = ", \u2026" if len(row.ports) > MAX_PORTS else ""
    return f", {words.say('picture.wall.port', port=first)}{more}"


def _cell(drawing: Drawing, x: int, y: int, width: int, opener: str, what: str, words: Catalogue) -> int:
    middle = y + LINE_HEIGHT // 2
    arrow = min(130, width - _PAD)
    if what in {"works", "new", "stopped"}:
        start, end = (x, x + arrow) if opener == "device" else (x + arrow, x)
        drawing.arrow(start, middle, end, thick=9, kind="solid", barred=what == "stopped", headed=True)
    else:
        draw_shape(drawing, x + 20, middle, "triangle" if what == "not-tried" else "ring")
    lines = fit(words.say(f"picture.state.{what}"), width, 2)
    return drawing.lines(x, y + LINE_HEIGHT, lines, width=width)


def _wishes(drawing: Drawing, document: Document, words: Catalogue, y: int, said: list[str]) -> int:
    wishes = document["comparison"]["wishes"]
    if not wishes:
        return y
    title = words.say("picture.wishes")
    drawing.box(0, y, drawing.width, LINE_HEIGHT + 8, fill=BAND, stroke=0, round_=6)
    y = drawing.lines(_PAD, y + 4, [title], width=drawing.width, bold=True) + 8
    column = drawing.width * 60 // 100
    for wish in wishes[:MAX_ROWS]:
        word, _, rest = wish["wish"].partition(" ")
        asked = " ".join([words.say(f"picture.wish.{word}"), rest]).rstrip()
        told = words.say(f"picture.wish-state.{wish['state']}")
        lines = fit(asked, column - _PAD, 3)
        drawing.lines(0, y, lines, width=column)
        draw_shape(drawing, column + 20, y + LINE_HEIGHT // 2, _WISH_SHAPES[wish["state"]])
        told_lines = fit(told, drawing.width - column - 50, 2)
        drawing.lines(column + 50, y, told_lines, width=drawing.width - column - 50)
        y += max(len(lines), len(told_lines)) * LINE_HEIGHT + 8
        said.append(f"{asked}: {told}")
    left = len(wishes) - MAX_ROWS
    if left > 0:
        y = drawing.lines(0, y, [words.count("picture.more-rows", left)], width=drawing.width)
    return y
