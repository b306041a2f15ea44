"""What the pictures of time share: names of lanes, an axis, what was not recorded."""

from __future__ import annotations

import contextlib
from typing import Any

from auditor.addresses import parse_address
from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Names
from auditor.report.pictures.drawing import LINE_HEIGHT, TYPE_SIZE, Drawing, fit, hatch
from auditor.report.pictures.measure import text_width

Document = dict[str, Any]

MAX_DRAWN_LANES = 10
"""In one picture; the report tells of the others in its tables."""
LANE_HEIGHT = 44


def lane_name(lane: Document, names: Names, words: Catalogue) -> str:
    """Role or nickname at home, name outside; an address is never shown."""
    if lane["zone"] == "home":
        group = lane["peer_id"].startswith(("broadcast", "group:"))
        return words.say("picture.contacts.everybody") if group else names(lane["peer_id"])
    with contextlib.suppress(ValueError):
        parse_address(lane["name"])
        return words.say("picture.contacts.outside.nameless")
    return str(lane["name"])


def draw_lane_name(drawing: Drawing, top: int, name: str) -> int:
    """The name on paper of its own, so that no line runs through it."""
    (line,) = fit(name, drawing.width - 16, 1)
    drawing.box(0, top, text_width(line, TYPE_SIZE) + 12, LINE_HEIGHT, stroke=0, round_=6)
    return drawing.lines(4, top, [line], width=drawing.width - 8)


def gaps(recorded: list[list[int]], bins: int) -> list[tuple[int, int]]:
    """Bins that no file covers, as beginnings and ends."""
    found = []
    reached = 0
    for first, last in sorted(recorded):
        if first > reached + 1:
            found.append((reached, first))
        reached = max(reached, last)
    if reached < bins - 1:
        found.append((reached, bins))
    return found


def draw_gaps(drawing: Drawing, found: list[tuple[int, int]], bins: int, top: int, height: int) -> None:
    """Hatched where nothing was recorded."""
    for first, last in found:
        left, right = first * drawing.width // bins, last * drawing.width // bins
        hatch(drawing, left, top, max(4, right - left), height)


def draw_axis(drawing: Drawing, top: int, marks: list[tuple[int, str]]) -> int:
    """Ticks below a line, each with its word; returns where the next thing may stand."""
    drawing.line(0, top, drawing.width, top, thick=4)
    for x, word in marks:
        drawing.line(x, top, x, top + 12, thick=4)
        anchor = "start" if x < 40 else "end" if x > drawing.width - 60 else "middle"
        drawing.text(
            x,
            top + 12 + LINE_HEIGHT - 8,
            word,
            width=drawing.width // max(1, len(marks)) + 40,
            anchor=anchor,  # type: ignore[arg-type]
        )
    return top + 12 + LINE_HEIGHT


def draw_key(drawing: Drawing, top: int, texts: list[str]) -> int:
    """Explanations below a picture."""
    for text in texts:
        top = drawing.lines(0, top, fit(text, drawing.width, 3), width=drawing.width)
    return top
