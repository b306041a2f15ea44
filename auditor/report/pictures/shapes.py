"""Signs of answers, told apart by outline: ticked disc, half of it, ring, triangle, crossed box."""

from __future__ import annotations

from auditor.report.pictures.drawing import Drawing

RADIUS = 16


def draw_shape(drawing: Drawing, x: int, y: int, shape: str) -> None:
    """One of ``disc``, ``half``, ``ring``, ``triangle``, ``crossed``, its middle at ``x``, ``y``."""
    match shape:
        case "disc":
            drawing.circle(x, y, RADIUS, filled=True)
            drawing.path(f"M{x - 8} {y}L{x - 2} {y + 7}L{x + 8} {y - 7}", thick=5, light=True)
        case "half":
            drawing.circle(x, y, RADIUS, filled=False)
            drawing.path(f"M{x} {y - RADIUS}A{RADIUS} {RADIUS} 0 0 0 {x} {y + RADIUS}Z", thick=0, filled=True)
        case "ring":
            drawing.circle(x, y, RADIUS, filled=False)
        case "triangle":
            points = [(x, y - RADIUS), (x + RADIUS + 2, y + 13), (x - RADIUS - 2, y + 13)]
            drawing.shape(points, filled=False, stroke=4)
        case _:
            drawing.box(x - RADIUS, y - RADIUS, 2 * RADIUS, 2 * RADIUS, stroke=4, round_=0)
            drawing.line(x - RADIUS, y - RADIUS, x + RADIUS, y + RADIUS, thick=4)
            drawing.line(x - RADIUS, y + RADIUS, x + RADIUS, y - RADIUS, thick=4)
