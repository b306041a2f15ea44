"""
The strip of runs: one cell a night, by word and letter, never by colour alone.

Needs section 7.7: same, changed, could not judge, did not run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from html import escape

from auditor.store.history import StoredRun
from auditor.watch.calendar import local_day

MAX_NIGHTS = 400
"""Shown at most: a year and the month before it."""

CELLS: Mapping[str, str] = {
    "same": ".",
    "changed": "C",
    "could not judge": "?",
    "did not run": "-",
}
"""Letters of the strip, in ASCII."""

_WORDS = {
    "same": "same",
    "changed": "changed",
    "could-not-judge": "could not judge",
    "interrupted": "could not judge",
}
_RANKS = ("did not run", "could not judge", "same", "changed")


def nights(runs: Sequence[StoredRun], now_ns: int) -> list[tuple[date, str]]:
    """
    A word for each night from the first run to today, at most ``MAX_NIGHTS``.

    Of several runs on one day the one that saw most counts.  Today only counts
    once it ran.
    """
    seen: dict[date, str] = {}
    for run in runs:
        day = local_day(run.started_ns).date()
        word = _WORDS.get(run.outcome or "", "could not judge")
        if day not in seen or _RANKS.index(word) > _RANKS.index(seen[day]):
            seen[day] = word
    if not seen:
        return []
    # A clock that was wrong for one run must not stretch the strip over years.
    last = max(*seen, local_day(now_ns).date() - timedelta(days=1))
    first = max(min(seen), last - timedelta(days=MAX_NIGHTS - 1))
    days = [first + timedelta(days=number) for number in range((last - first).days + 1)]
    return [(day, seen.get(day, "did not run")) for day in days]


def render_strip(cells: Sequence[tuple[date, str]]) -> str:
    """A line for each month, a column for each day, and what the letters mean; ASCII."""
    if not cells:
        return "no run yet\n"
    by_day = dict(cells)
    months = sorted({(day.year, day.month) for day, _ in cells})
    lines = ["         " + "".join(str(day % 10) for day in range(1, 32))]
    for year, month in months:
        row = ""
        for number in range(1, 32):
            try:
                word = by_day.get(date(year, month, number))
            except ValueError:
                break
            row += " " if word is None else CELLS[word]
        lines.append(f"{year:04d}-{month:02d}  {row.rstrip()}")
    counts = ", ".join(
        f"{letter} {word} ({sum(one == word for _, one in cells)})" for word, letter in CELLS.items()
    )
    return "\n".join([*lines, "", counts]) + "\n"


def draw_strip(cells: Sequence[tuple[date, str]]) -> str:
    """The same as a picture: SVG 1.1, letters in every cell, shapes of grey that print."""
    size, columns = 14, 31
    rows = (len(cells) + columns - 1) // columns or 1
    fills = {"changed": "#bbbbbb", "could not judge": "#eeeeee"}
    extent = f'width="{columns * size}" height="{rows * size}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" {extent}>',
        "<title>One cell a night</title>",
    ]
    for place, (day, word) in enumerate(cells):
        left, top = place % columns * size, place // columns * size
        dash = ' stroke-dasharray="2 2"' if word == "did not run" else ""
        parts.append(
            f"<g><title>{escape(f'{day}: {word}')}</title>"
            f'<rect x="{left}" y="{top}" width="{size - 1}" height="{size - 1}" '
            f'fill="{fills.get(word, "#ffffff")}" stroke="#000000"{dash}/>'
            f'<text x="{left + size / 2 - 0.5}" y="{top + size - 4}" font-size="11" text-anchor="middle">'
            f"{escape(CELLS[word])}</text></g>"
        )
    return "\n".join([*parts, "</svg>"]) + "\n"
