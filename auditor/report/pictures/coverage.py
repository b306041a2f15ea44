"""What the recording could see: a row for each question, its answer as a shape and in words."""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.grid import answer_questions
from auditor.report.pictures.drawing import BAND, LINE_HEIGHT, Drawing, Picture, fit

Document = dict[str, Any]

SHAPES = {
    "seen": "disc",
    "in-part": "half",
    "some": "half",
    "unreadable": "half",
    "not-seen": "ring",
    "not-tried": "triangle",
    "could-not": "crossed",
}
"""Four shapes, and half of the first for what was seen in part; told apart by outline, never by colour."""

_RADIUS = 16
_PAD = 10


def draw_coverage(document: Document, words: Catalogue, *, width_mm: int = 86) -> Picture:
    """Draw the coverage grid of a redacted document."""
    drawing = Drawing("coverage", width_mm)
    column = drawing.width * 55 // 100
    answers_left = column + 4 * _RADIUS
    y = 0
    said = []
    for number, (question, answer) in enumerate(answer_questions(document)):
        asked, told = words.say(f"grid.question.{question}"), words.say(f"grid.answer.{answer}")
        said.append(f"{asked}: {told}")
        left = fit(asked, column - 2 * _PAD, 3)
        right = fit(told, drawing.width - answers_left - _PAD, 3)
        height = max(len(left), len(right)) * LINE_HEIGHT + 12
        if number % 2 == 0:
            drawing.box(0, y, drawing.width, height, fill=BAND, stroke=0, round_=6)
        drawing.lines(_PAD, y + 5, left, width=column - _PAD)
        _shape(drawing, column + _RADIUS + 6, y + 5 + LINE_HEIGHT // 2, SHAPES[answer])
        drawing.lines(answers_left, y + 5, right, width=drawing.width - answers_left)
        y += height
    return drawing.finish(y, title=words.say("picture.coverage.title"), description=f"{'; '.join(said)}.")


def _shape(drawing: Drawing, x: int, y: int, shape: str) -> None:
    match shape:
        case "disc":
            drawing.circle(x, y, _RADIUS, filled=True)
            drawing.path(f"M{x - 8} {y}L{x - 2} {y + 7}L{x + 8} {y - 7}", thick=5, light=True)
        case "half":
            drawing.circle(x, y, _RADIUS, filled=False)
            drawing.path(
                f"M{x} {y - _RADIUS}A{_RADIUS} {_RADIUS} 0 0 0 {x} {y + _RADIUS}Z", thick=0, filled=True
            )
        case "ring":
            drawing.circle(x, y, _RADIUS, filled=False)
        case "triangle":
            points = [(x, y - _RADIUS), (x + _RADIUS + 2, y + 13), (x - _RADIUS - 2, y + 13)]
            drawing.shape(points, filled=False, stroke=4)
        case _:
            drawing.box(x - _RADIUS, y - _RADIUS, 2 * _RADIUS, 2 * _RADIUS, stroke=4, round_=0)
            drawing.line(x - _RADIUS, y - _RADIUS, x + _RADIUS, y + _RADIUS, thick=4)
            drawing.line(x - _RADIUS, y + _RADIUS, x + _RADIUS, y - _RADIUS, thick=4)
