"""
How much of the air show data takes: bars at several rates against all of it.

Which rate an access point repeats group frames at stands in no recording, so
the load is a range (``inventory.airtime``); the same data sent to one device
stand beside it.
"""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Names
from auditor.report.pictures.drawing import LINE_HEIGHT, PAPER, Drawing, Picture, fit

Document = dict[str, Any]

MAX_DRAWN_LOADS = 3
"""Each has seven bars."""
_LABEL = 250
_NUMBER = 190
_BAR = 30


def draw_air(
    document: Document, moments: Document, words: Catalogue, *, width_mm: int = 86
) -> Picture | None:
    """Draw the airtime of show data; None where none was seen."""
    loads = moments["air"][:MAX_DRAWN_LOADS]
    if not loads:
        return None
    drawing = Drawing("air", width_mm)
    names = Names(document["devices"], words)
    room = drawing.width - _LABEL - _NUMBER
    most = max(1_000, *(share for load in loads for _, share in (*load["group"], *load["single"])))
    scale = min(most, 2_000)
    said: list[str] = []
    y = 0
    for load in loads:
        title = words.count(
            "picture.air.load", load["universes"], sender=names(load["device_id"]), protocol=load["protocol"]
        )
        y = drawing.lines(0, y, fit(title, drawing.width, 2, bold=True), width=drawing.width, bold=True) + 4
        said.append(title)
        for key in ("group", "single"):
            y = drawing.lines(0, y, fit(words.say(f"picture.air.{key}"), drawing.width), width=drawing.width)
            top = y
            for rate, share in load[key]:
                number, percent = rate_words(rate, words), _percent(share, words)
                middle = y + LINE_HEIGHT // 2
                drawing.text(_LABEL - 14, middle + 14, number, width=_LABEL - 14, anchor="end")
                length = max(3, min(share, scale) * room // scale)
                fill = "currentColor" if key == "group" else PAPER
                drawing.box(_LABEL, middle - _BAR // 2, length, _BAR, fill=fill, stroke=4, round_=0)
                drawing.text(drawing.width, middle + 14, percent, width=_NUMBER - 10, anchor="end")
                said.append(f"{words.say(f'picture.air.{key}')} {number}: {percent}")
                y += LINE_HEIGHT
            whole = _LABEL + 1_000 * room // scale
            drawing.line(whole, top - 2, whole, y + 2, thick=5, kind="dashed")
            y += 8
    for text in fit(words.say("picture.air.key"), drawing.width, 4):
        drawing.lines(0, y, [text], width=drawing.width)
        y += LINE_HEIGHT
    said.append(words.say("picture.air.key"))
    return drawing.finish(y + 4, title=words.say("picture.air.title"), description="; ".join(said))


def rate_words(kilobits: int, words: Catalogue) -> str:
    """``6 Mbit/s``."""
    return words.say("picture.air.rate", number=kilobits // 1_000)


def _percent(thousandths: int, words: Catalogue) -> str:
    whole, tenth = divmod(thousandths, 10)
    return words.say("picture.air.percent", number=f"{whole}{words.say('picture.decimal')}{tenth}")
