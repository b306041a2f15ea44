"""A day in one strip: 24 hours, a row for each peer, a dot for each ten minutes in which they talked."""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.moments import DAY_BINS
from auditor.report.pictures.contacts import Names
from auditor.report.pictures.drawing import LINE_HEIGHT, Drawing, Picture
from auditor.report.pictures.lanes import (
    MAX_DRAWN_LANES,
    draw_axis,
    draw_gaps,
    draw_key,
    draw_lane_name,
    lane_name,
)

Document = dict[str, Any]

MIN_SECONDS = 7_200
"""Two hours: a shorter recording is a dot on a strip of a day, and the timeline tells it better."""
HOURS = (0, 6, 12, 18, 24)
_ROW = 30


def draw_day(
    document: Document, moments: Document, words: Catalogue, *, width_mm: int = 86
) -> Picture | None:
    """Draw the times of day, in UTC; None for a recording shorter than two hours or without contacts."""
    if moments["seconds"] < MIN_SECONDS or not moments["lanes"]:
        return None
    drawing = Drawing("day", width_mm)
    names = Names(document["devices"], words)
    lanes = moments["lanes"][:MAX_DRAWN_LANES]
    height = len(lanes) * (LINE_HEIGHT + _ROW + 8)
    missing = _missing(moments["recorded_day"])
    draw_gaps(drawing, missing, DAY_BINS, 0, height)
    y = 0
    for lane in lanes:
        y = draw_lane_name(drawing, y, lane_name(lane, names, words))
        radius = max(7, min(10, drawing.width // DAY_BINS // 2))
        for place in lane["day"]:
            x = (2 * place + 1) * drawing.width // (2 * DAY_BINS)
            drawing.circle(x, y + _ROW // 2, radius, filled=True, stroke=0)
        y += _ROW + 8
    marks = [
        (min(hour * drawing.width // 24, drawing.width - 2), words.say("picture.time.h", number=hour))
        for hour in HOURS
    ]
    y = draw_axis(drawing, y, marks) + 8
    texts = [words.say("picture.day.key")]
    if missing:
        texts.append(words.say("picture.time.gap"))
    y = draw_key(drawing, y, texts)
    said_lanes = [
        words.say(
            "picture.day.said.lane",
            peer=lane_name(lane, names, words),
            hours=_hours(lane["day"]),
        )
        for lane in lanes
    ]
    return drawing.finish(
        y + 4, title=words.say("picture.day.title"), description="; ".join([*said_lanes, *texts])
    )


def _missing(recorded: list[int]) -> list[tuple[int, int]]:
    """Runs of parts of the day that were never recorded."""
    found: list[tuple[int, int]] = []
    for place in sorted(set(range(DAY_BINS)) - set(recorded)):
        if found and found[-1][1] == place:
            found[-1] = (found[-1][0], place + 1)
        else:
            found.append((place, place + 1))
    return found


def _hours(places: list[int]) -> str:
    """``0-3, 18``: hours of the day with a contact."""
    hours = sorted({place * 24 // DAY_BINS for place in places})
    runs: list[list[int]] = []
    for hour in hours:
        if runs and runs[-1][1] == hour - 1:
            runs[-1][1] = hour
        else:
            runs.append([hour, hour])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)
