"""
The wall that a plan builds and the doors that it leaves: who may begin, towards whom, on which port.

Drawn from the recommended plan of a redacted document; what the plan lets
through for a wish is a door, all else stops at the wall.
"""

from __future__ import annotations

import re
from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Names
from auditor.report.pictures.drawing import BAND, LINE_HEIGHT, Drawing, Picture, fit

Document = dict[str, Any]

MAX_DOORS = 6
"""Drawn; a wall with more doors is told as a list."""
MAX_INSIDE = 6
"""Names of devices behind the wall."""

_LIGHTS = "lights"
_PLACES = {
    "the lights' segment": "lights",
    "the main network": "main",
    "the router itself": "router",
    "the internet": "internet",
    "anywhere": "anywhere",
}
_PAD = 14
_GAP = 18


def draw_exception(document: Document, words: Catalogue, *, width_mm: int = 86) -> Picture | None:
    """Draw the wall of the recommended plan; None where there is no plan, or it fences nothing off."""
    plan = document["plan"]
    if plan is None or not any(entry["forwarding"] != "accept" for entry in plan["entries"]):
        return None
    doors = [entry for entry in plan["entries"] if _is_door(entry)]
    doors.sort(key=lambda entry: (not entry["is_exception"], entry["order"]))
    inside = _inside(document, plan, words)
    has_segment = any(row["segment"] == _LIGHTS for row in plan["placements"])
    beyond = words.say("picture.wall.beyond" if has_segment else "picture.wall.internet")
    drawing = Drawing("wall", width_mm)
    side = drawing.width * 35 // 100
    left, right = side, drawing.width - side
    heads = (fit(", ".join(inside), side - _PAD, 8, bold=True), fit(beyond, side - _PAD, 4, bold=True))
    top = 8 + max(map(len, heads)) * LINE_HEIGHT + _GAP
    rows: list[tuple[Document, list[str], list[str], int, int]] = []
    y = top
    for entry in doors[:MAX_DOORS]:
        first, second = _ends(entry, document, words)
        lines = (fit(first, side - _PAD, 3), fit(second, side - _PAD, 3))
        door = fit(_port(entry, words), side - _PAD, 2)
        lines[1 if entry["direction"] == "from-device" else 0].extend(door)
        height = max(map(len, lines)) * LINE_HEIGHT + _GAP
        rows.append((entry, *lines, y, height))
        y += height
    closed = fit(words.say("picture.wall.closed"), side - _PAD, 3)
    bottom = y + max(2, len(closed)) * LINE_HEIGHT + _GAP
    middle = drawing.width // 2
    drawing.box(0, 0, left, bottom, fill=BAND, stroke=0)
    drawing.box(right, 0, side, bottom, fill=BAND, stroke=0)
    drawing.lines(_PAD, 8, heads[0], width=side - _PAD, bold=True)
    drawing.lines(right + _PAD, 8, heads[1], width=side - _PAD, bold=True)
    edge = 0
    for entry, lefts, rights, row_top, height in rows:
        centre = row_top + (height - _GAP) // 2
        _wall(drawing, middle, edge, centre - 30)
        _door_posts(drawing, middle, centre, bold=entry["is_exception"])
        edge = centre + 30
        start, end = (left + 6, right - 6) if entry["direction"] == "from-device" else (right - 6, left + 6)
        drawing.arrow(start, centre, end, thick=9, kind="solid", barred=False, headed=True)
        _centred(drawing, _PAD, centre, lefts, side - _PAD)
        _centred(drawing, right + _PAD, centre, rights, side - _PAD)
    _wall(drawing, middle, edge, bottom)
    centre = (y + bottom - _GAP) // 2
    drawing.line(left + 6, centre, middle - 34, centre, thick=9)
    drawing.line(right - 6, centre, middle + 34, centre, thick=9)
    drawing.line(middle - 30, centre - 26, middle - 30, centre + 26, thick=9)
    drawing.line(middle + 30, centre - 26, middle + 30, centre + 26, thick=9)
    _centred(drawing, right + _PAD, centre, closed, side - _PAD)
    left_over = len(doors) - MAX_DOORS
    if left_over > 0:
        more = words.count("picture.wall.more", left_over)
        bottom = drawing.lines(_PAD, bottom + 8, fit(more, drawing.width - 2 * _PAD), width=drawing.width)
    return drawing.finish(
        bottom + 4,
        title=words.say("picture.wall.title"),
        description=_describe(doors, inside, beyond, document, words),
    )


def _is_door(entry: Document) -> bool:
    if entry["forwarding"] != "accept" or entry["enforced_by"] != "router-forward":
        return False
    return bool(entry["is_exception"]) or str(entry["reason"]).startswith("wish")


def _inside(document: Document, plan: Document, words: Catalogue) -> list[str]:
    """Who lives behind the wall: the segment's devices, or the judged ones where no segment is made."""
    name = Names(document["devices"], words)
    behind = [row["device_id"] for row in plan["placements"] if row["segment"] == _LIGHTS]
    behind = behind or [device["device_id"] for device in document["devices"] if device["is_chosen"]]
    names = [name(identifier) for identifier in behind]
    left = len(names) - MAX_INSIDE
    return names if left <= 0 else [*names[:MAX_INSIDE], words.count("picture.contacts.others", left)]


def _ends(entry: Document, document: Document, words: Catalogue) -> tuple[str, str]:
    """Who stands left and who right of the wall."""
    first, second = (_end(entry[key], document, words) for key in ("from", "to"))
    return (first, second) if entry["direction"] == "from-device" else (second, first)


def _end(label: str, document: Document, words: Catalogue) -> str:
    """An end of an entry without addresses, devices by their name in the pictures."""
    bare = re.sub(r"\s*\([^()]*\)$", "", label)
    if bare in _PLACES:
        return words.say(f"picture.wall.place.{_PLACES[bare]}")
    for device in document["devices"]:
        if device["device_id"] in bare:
            return Names(document["devices"], words)(device["device_id"])
    return bare


def _port(entry: Document, words: Catalogue) -> str:
    if entry["port"] is None:
        return words.say("picture.wall.any-port")
    return words.say("picture.wall.port", port=entry["port"])


def _wall(drawing: Drawing, middle: int, top: int, bottom: int) -> None:
    """Bricks: a frame with courses, so that it is a wall in grey too."""
    if bottom - top < 8:
        return
    half = 20
    drawing.box(middle - half, top, 2 * half, bottom - top, stroke=5, round_=0)
    for number, y in enumerate(range(top + 24, bottom - 6, 24)):
        drawing.line(middle - half, y, middle + half, y, thick=3)
        x = middle + (8 if number % 2 else -8)
        drawing.line(x, y - 24, x, y, thick=3)


def _door_posts(drawing: Drawing, middle: int, centre: int, *, bold: bool) -> None:
    for y in (centre - 30, centre + 30):
        drawing.line(middle - 34, y, middle + 34, y, thick=12 if bold else 7)


def _centred(drawing: Drawing, x: int, centre: int, lines: list[str], width: int) -> None:
    drawing.lines(x, centre - len(lines) * LINE_HEIGHT // 2, lines, width=width)


def _describe(
    doors: list[Document], inside: list[str], beyond: str, document: Document, words: Catalogue
) -> str:
    parts = [words.say("picture.wall.said", inside=", ".join(inside), beyond=beyond)]
    for entry in doors[:MAX_DOORS]:
        first, second = (_end(entry[key], document, words) for key in ("from", "to"))
        key = "picture.wall.said.exception" if entry["is_exception"] else "picture.wall.said.door"
        parts.append(words.say(key, first=first, second=second, port=_port(entry, words)))
    if len(doors) > MAX_DOORS:
        parts.append(f"{words.count('picture.wall.more', len(doors) - MAX_DOORS)}.")
    return " ".join([*parts, words.say("picture.wall.said.rest")])
