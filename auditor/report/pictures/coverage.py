"""What the recording could see: a row for each question, its answer as a shape and in words."""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.grid import answer_questions
from auditor.report.pictures.drawing import BAND, LINE_HEIGHT, Drawing, Picture, fit
from auditor.report.pictures.shapes import RADIUS, draw_shape

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

_PAD = 10


def draw_coverage(document: Document, words: Catalogue, *, width_mm: int = 86) -> Picture:
    """Draw the coverage grid of a redacted document."""
    drawing = Drawing("coverage", width_mm)
    column = drawing.width * 55 // 100
    answers_left = column + 4 * RADIUS
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
        draw_shape(drawing, column + RADIUS + 6, y + 5 + LINE_HEIGHT // 2, SHAPES[answer])
        drawing.lines(answers_left, y + 5, right, width=drawing.width - answers_left)
        y += height
    return drawing.finish(y, title=words.say("picture.coverage.title"), description=f"{'; '.join(said)}.")
