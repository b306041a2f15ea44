"""Colours and the one style sheet of the report; contrast is computed from these colours by a test."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

PALETTES: dict[str, dict[str, str]] = {
    "light": {
        "paper": "#ffffff",
        "ink": "#1a1a1a",
        "quiet": "#4a4a4a",
        "band": "#eeeeee",
        "line": "#6b6b6b",
        "link": "#0a4a86",
    },
    "dark": {
        "paper": "#14171a",
        "ink": "#ececec",
        "quiet": "#c4c8cc",
        "band": "#2a2f35",
        "line": "#9aa1a8",
        "link": "#9ccaff",
    },
}
"""By name: paper behind all, ink of letters, quiet for remarks, band behind rows, line of frames, link."""

FACES = "'DejaVu Sans',Verdana,sans-serif"


def _properties(palette: dict[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in palette.items())


def sheet_mark(text: str) -> str:
    """A rule that prints ``text``, plain letters, below each sheet (CSS Paged Media 3, section 5)."""
    return f'@page{{@bottom-center{{content:"{text}";font:700 11pt {FACES}}}}}\n'


@cache
def style_sheet() -> str:
    """All of it, light and dark; paper is always white."""
    light, dark = _properties(PALETTES["light"]), _properties(PALETTES["dark"])
    return (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"@media print{{:root{{color-scheme:light;{light}}}}}\n"
        f"{(files('auditor.report.html') / 'style.css').read_text('utf-8')}"
    )
