"""Pictures in a page: one drawing for a telephone, one for a desk or paper, and the same in words."""

from __future__ import annotations

from collections.abc import Callable

from auditor.report.html.element import Html, escape, tag
from auditor.report.html.page import fold
from auditor.report.pictures.drawing import Picture

NARROW_MM = 86
"""325 CSS pixels (CSS Values 4: 96 to an inch): fits a screen of 360 with its margins."""
WIDE_MM = 170
"""Between the margins of A4."""

Draw = Callable[[int], Picture | None]


def figure(draw: Draw) -> Html | None:
    """Two widths of one picture; the style sheet shows the one that fits, None where there is nothing."""
    narrow, wide = draw(NARROW_MM), draw(WIDE_MM)
    if narrow is None or wide is None:
        return None
    return tag(
        "figure",
        tag("div", Html(narrow.svg), class_="narrow"),
        tag("div", Html(wide.svg), class_="wide"),
        tag("figcaption", fold(f"{narrow.title}, in words", tag("p", _whole(narrow.description)))),
    )


def _whole(text: str) -> Html:
    """A description is made of many texts: escaped sentence by sentence, so that none of it is cut off."""
    return Html("; ".join(map(escape, text.split("; "))))
