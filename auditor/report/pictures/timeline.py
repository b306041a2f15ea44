"""
What happened when: one lane a peer, a tick for each beginning, a bar for what lasted, noted actions across.

A tick above the line was opened by this device, one below by the other side.
Polling each second shows as a comb; control through a company's computer as a
tick outside right behind the action, control at home as one at home.
"""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.moments import BINS
from auditor.report.pictures.contacts import Names, every, gather_peers
from auditor.report.pictures.drawing import LINE_HEIGHT, TYPE_SIZE, Drawing, Picture
from auditor.report.pictures.lanes import (
    LANE_HEIGHT,
    MAX_DRAWN_LANES,
    draw_axis,
    draw_gaps,
    draw_key,
    draw_lane_name,
    gaps,
    lane_name,
)

Document = dict[str, Any]

MAX_DRAWN_ACTIONS = 12
"""Each has a line across and a line of words; more would hide the lanes."""
STEPS_SECONDS = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200, 86_400, 172_800,
    604_800,
)  # fmt: skip
KNOWN_ACTIONS = (
    "power-on", "app-mobile", "app", "hub", "voice", "mirror", "cable-out", "cable-in", "update",
)  # fmt: skip
_TICK = 18


def draw_timeline(
    document: Document, moments: Document, words: Catalogue, *, width_mm: int = 86
) -> Picture | None:
    """Draw the times of contacts; None where no contact of a chosen device was seen."""
    if not moments["lanes"]:
        return None
    drawing = Drawing("timeline", width_mm)
    names = Names(document["devices"], words)
    lanes = moments["lanes"][:MAX_DRAWN_LANES]
    actions = moments["actions"][:MAX_DRAWN_ACTIONS]
    found = gaps(moments["recorded"], BINS)
    head = LINE_HEIGHT + 16 if actions else 0
    height = len(lanes) * (LINE_HEIGHT + LANE_HEIGHT + 8)
    draw_gaps(drawing, found, BINS, head, height)
    for action in actions:
        x = max(24, min(drawing.width - 24, _x(action["bin"], drawing)))
        drawing.line(x, head - 6, x, head + height, thick=3, kind="dashed")
    _action_numbers(drawing, actions)
    rhythms = _rhythms(document, words)
    y = head
    for lane in lanes:
        said = lane_name(lane, names, words)
        y = draw_lane_name(drawing, y, ", ".join([said, *rhythms.get((lane["zone"], said), [])]))
        _lane(drawing, lane, y + LANE_HEIGHT // 2)
        y += LANE_HEIGHT + 8
    y = draw_axis(drawing, y, _axis(moments["seconds"], drawing, words)) + 8
    texts = [
        f"{number}: {_action_words(action['what'], words)} ({_clock(_at(action, moments), words)})"
        for number, action in enumerate(actions, start=1)
    ]
    texts.append(words.say("picture.time.key"))
    if found:
        texts.append(words.say("picture.time.gap"))
    folded = len(moments["lanes"]) - len(lanes) + moments["other_lanes"]
    if folded:
        texts.append(words.count("picture.contacts.others", folded))
    y = draw_key(drawing, y, texts)
    return drawing.finish(
        y + 4,
        title=words.say("picture.timeline.title"),
        description=_describe(lanes, names, texts, moments, words),
    )


def _rhythms(document: Document, words: Catalogue) -> dict[tuple[str, str], list[str]]:
    """In words beside the lane, because a comb of many teeth is a bar in small print."""
    return {
        (peer.zone, peer.name): [
            every(arrow.period_seconds, words) for arrow in peer.arrows if arrow.period_seconds is not None
        ]
        for peer in gather_peers(document, words)
    }


def _x(place: int, drawing: Drawing) -> int:
    return (2 * place + 1) * drawing.width // (2 * BINS)


def _at(action: Document, moments: Document) -> float:
    return float(action["bin"] * moments["seconds"] / BINS)


def _action_numbers(drawing: Drawing, actions: list[Document]) -> None:
    """Numbers over the lines, moved to the right where they would lie on each other."""
    free = 0
    for number, action in enumerate(actions, start=1):
        x = max(24, min(drawing.width - 24, _x(action["bin"], drawing)))
        place = max(x, free + 30)
        if place > drawing.width - 20:
            break
        drawing.text(place, TYPE_SIZE, str(number), width=60, anchor="middle", bold=True)
        free = place + (20 if number < 10 else 36)


def _lane(drawing: Drawing, lane: Document, middle: int) -> None:
    drawing.line(0, middle, drawing.width, middle, thick=2)
    for first, last in lane["spans"]:
        left, right = _x(first, drawing), _x(last, drawing)
        drawing.box(left, middle - 7, max(6, right - left), 14, fill="currentColor", stroke=0, round_=0)
    for key, way in (("by_device", -_TICK), ("by_peer", _TICK)):
        places = sorted({_x(place, drawing) for place in lane[key]})
        if places:
            drawing.path("".join(f"M{x} {middle}V{middle + way}" for x in places), thick=3)


def _axis(seconds: float, drawing: Drawing, words: Catalogue) -> list[tuple[int, str]]:
    most = max(2, drawing.width // 260)
    step = next((step for step in STEPS_SECONDS if seconds / step <= most), STEPS_SECONDS[-1])
    marks = []
    number = 0
    while number * step <= seconds and number <= 4 * most:
        x = round(number * step * drawing.width / max(seconds, 0.001))
        marks.append((min(x, drawing.width - 2), _clock(number * step, words)))
        number += 1
    return marks


def _clock(seconds: float, words: Catalogue) -> str:
    """Since the beginning: ``20 s``, ``5 min``, ``1 min 20 s``, ``3 h``."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3_600)
    minutes, left = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (left, "s")]
    said = [words.say(f"picture.time.{unit}", number=number) for number, unit in parts if number]
    return " ".join(said[:2]) or words.say("picture.time.s", number=0)


def _action_words(what: str, words: Catalogue) -> str:
    return words.say(f"picture.action.{what}") if what in KNOWN_ACTIONS else what


def _describe(
    lanes: list[Document], names: Names, texts: list[str], moments: Document, words: Catalogue
) -> str:
    parts = [words.say("picture.timeline.said", length=_clock(moments["seconds"], words))]
    for lane in lanes:
        marks = sorted([*lane["by_device"], *lane["by_peer"]])
        ends = [*marks, *(last for _, last in lane["spans"])]
        first, last = (_clock(place * moments["seconds"] / BINS, words) for place in (min(ends), max(ends)))
        parts.append(
            words.say(
                "picture.timeline.said.lane",
                peer=lane_name(lane, names, words),
                often=words.count("picture.often", lane["flows"]),
                first=first,
                last=last,
            )
        )
    return "; ".join([*parts, *texts])
