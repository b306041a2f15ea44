"""
The drawing kit: shapes and fitted text in tenths of a millimetre, as SVG.

Coordinates are integers, so that the same data give the same octets.  Lines
and letters take ``currentColor`` and surfaces the custom properties ``--band``
and ``--paper``: a dark page makes a dark picture, and a file by itself is
black on white.  Nothing is told by colour; there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from auditor.report.harmless import harmless_text
from auditor.report.pictures.measure import break_lines, is_measured, shorten, text_width
from auditor.value_class import value_class

TYPE_SIZE = 39
"""3.9 mm, 11.05 pt (1 pt is 1/72 inch, CSS Values 4 section 6.2): the smallest that hangs on a fridge."""
LINE_HEIGHT = 47
FACES = "DejaVu Sans, Verdana, sans-serif"
PAPER = "var(--paper,#fff)"
BAND = "var(--band,#eee)"
MIN_WIDTH_MM = 60
"""Narrower than this two columns of eleven points do not stand side by side."""
MAX_WIDTH_MM = 400
"""The long side of A3 between its margins: a wider drawing is a poster that nobody prints."""

Anchor = Literal["start", "middle", "end"]
Stroke = Literal["solid", "dashed", "dotted"]
_DASHES = {"solid": "", "dashed": ' stroke-dasharray="24 14"', "dotted": ' stroke-dasharray="4 12"'}


@value_class
class Picture:
    """A drawing, and what it says in words."""

    svg: str
    """An ``svg`` element, ``role="img"``, named by its ``title`` and ``desc``; no scripts, fonts or links."""
    title: str
    description: str
    """For whoever cannot see it: the same facts in sentences."""


def escape(text: str) -> str:
    """A recorded text made harmless for XML content and quoted attributes (XML 1.0 section 2.4)."""
    return (
        harmless_text(text)
        .replace("&", "&amp;")
        .replace("<", "&lt;")
        .replace(">", "&gt;")
        .replace('"', "&quot;")
        .replace("'", "&#39;")
    )


class Drawing:
    """Collects shapes; ``finish`` makes the picture."""

    def __init__(self, kind: str, width_mm: int) -> None:
        """``kind``: one word, part of the ids, so that several pictures stand in one page."""
        if not MIN_WIDTH_MM <= width_mm <= MAX_WIDTH_MM:
            raise ValueError(f"a picture is {MIN_WIDTH_MM} to {MAX_WIDTH_MM} mm wide, not {width_mm}")
        self.name = f"picture-{kind}-{width_mm}"
        self.width = 10 * width_mm
        self._parts: list[str] = []

    def box(
        self,
        left: int,
        top: int,
        width: int,
        height: int,
        *,
        fill: str = PAPER,
        stroke: int = 3,
        round_: int = 12,
    ) -> None:
        """A rectangle; ``stroke`` 0 draws no border."""
        border = f' stroke="currentColor" stroke-width="{stroke}"' if stroke else ""
        self._parts.append(
            f'<rect x="{left}" y="{top}" width="{width}" height="{height}" rx="{round_}" '
            f'style="fill:{fill}"{border}/>'
        )

    def line(self, x1: int, y1: int, x2: int, y2: int, *, thick: int = 4, kind: Stroke = "solid") -> None:
        """A straight line."""
        self._parts.append(
            f'<path d="M{x1} {y1}L{x2} {y2}" fill="none" stroke="currentColor" stroke-width="{thick}"'
            f"{_DASHES[kind]}/>"
        )

    def shape(self, points: Sequence[tuple[int, int]], *, filled: bool = True, stroke: int = 3) -> None:
        """A closed shape of straight edges."""
        way = "L".join(f"{x} {y}" for x, y in points)
        fill = "fill:currentColor" if filled else f"fill:{PAPER}"
        self._parts.append(
            f'<path d="M{way}Z" style="{fill}" stroke="currentColor" stroke-width="{stroke}" '
            'stroke-linejoin="round"/>'
        )

    def circle(self, x: int, y: int, radius: int, *, filled: bool, stroke: int = 4) -> None:
        """A dot or a ring."""
        fill = "currentColor" if filled else PAPER
        self._parts.append(
            f'<circle cx="{x}" cy="{y}" r="{radius}" style="fill:{fill}" stroke="currentColor" '
            f'stroke-width="{stroke}"/>'
        )

    def path(self, way: str, *, thick: int = 4, filled: bool = False, light: bool = False) -> None:
        """Path data of integers; ``light``: drawn in the colour of the paper, on something dark."""
        colour = PAPER if light else "currentColor"
        style = f"fill:{colour}" if filled else f"fill:none;stroke:{colour}"
        self._parts.append(f'<path d="{way}" style="{style}" stroke-width="{thick}" stroke-linecap="round"/>')

    def arrow(
        self, x1: int, y: int, x2: int, *, thick: int, kind: Stroke, barred: bool, headed: bool
    ) -> None:
        """A level arrow from ``x1`` to ``x2``; ``barred``: broken, with a bar before its head."""
        way = 1 if x2 > x1 else -1
        head = 22 + thick
        end = x2 - way * head if headed else x2
        if barred:
            middle = (x1 + end) // 2
            self.line(x1, y, middle - way * 16, y, thick=thick, kind=kind)
            self.line(middle + way * 16, y, end, y, thick=thick, kind=kind)
            self.line(middle, y - 26, middle, y + 26, thick=9)
        else:
            self.line(x1, y, end, y, thick=thick, kind=kind)
        if headed:
            wide = 11 + thick * 3 // 4
            self.shape([(x2, y), (end, y - wide), (end, y + wide)], filled=not barred)

    def text(
        self, x: int, baseline: int, text: str, *, width: int, anchor: Anchor = "start", bold: bool = False
    ) -> None:
        """One line, shortened to ``width``."""
        shown = shorten(harmless_text(text), width * 5 // 6 if bold else width, TYPE_SIZE)
        if not shown:
            return
        extras = "" if anchor == "start" else f' text-anchor="{anchor}"'
        extras += ' font-weight="bold"' if bold else ""
        if not is_measured(shown):  # faces differ: the reader's one is squeezed into what was measured
            extras += f' textLength="{text_width(shown, TYPE_SIZE)}" lengthAdjust="spacingAndGlyphs"'
        self._parts.append(f'<text x="{x}" y="{baseline}"{extras}>{escape(shown)}</text>')

    def lines(
        self,
        x: int,
        top: int,
        lines: Sequence[str],
        *,
        width: int,
        anchor: Anchor = "start",
        bold: bool = False,
    ) -> int:
        """Lines below each other; returns where the next one would begin."""
        for place, line in enumerate(lines):
            self.text(
                x, top + place * LINE_HEIGHT + TYPE_SIZE - 4, line, width=width, anchor=anchor, bold=bold
            )
        return top + len(lines) * LINE_HEIGHT

    def finish(self, height: int, *, title: str, description: str) -> Picture:
        """The picture, ``height`` tenths of a millimetre high."""
        name = self.name
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{name}-title {name}-text" '
            f'width="{self.width // 10}mm" height="{height // 10}.{height % 10}mm" '
            f'viewBox="0 0 {self.width} {height}" font-family="{FACES}" font-size="{TYPE_SIZE}" '
            f'fill="currentColor">'
            f'<title id="{name}-title">{escape(title)}</title>'
            f'<desc id="{name}-text">{_paragraph(description)}</desc>'
            f"{''.join(self._parts)}</svg>"
        )
        return Picture(svg=svg, title=title, description=description)


def _paragraph(text: str) -> str:
    """A description may be longer than one harmless text: it is made of many."""
    return " ".join(map(escape, text.split(" ")))


def fit(text: str, width: int, most: int = 2, *, bold: bool = False) -> list[str]:
    """Lines of a text for a column that is ``width`` tenths of a millimetre wide."""
    return break_lines(harmless_text(text), width * 5 // 6 if bold else width, TYPE_SIZE, most)


def standalone(picture: Picture) -> str:
    """The picture as a file of its own: black on white, whatever shows it."""
    head = '<svg xmlns="http://www.w3.org/2000/svg"'
    return f'{picture.svg.replace(head, f"""{head} style="color:#000;background:#fff" """.rstrip(), 1)}\n'


HATCH = 18


def hatch(drawing: Drawing, left: int, top: int, width: int, height: int) -> None:
    """Grey with slanted lines, so that it stays apart from white in any print."""
    if width <= 0:
        return
    drawing.box(left, top, width, height, fill=BAND, stroke=0, round_=0)
    way = []
    for x in range(left - height + HATCH, left + width, HATCH):
        low, high = max(x, left), min(x + height, left + width)
        if high > low:
            way.append(f"M{low} {top + height - (low - x)}L{high} {top + height - (high - x)}")
    drawing.path("".join(way), thick=2)
