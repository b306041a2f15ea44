"""
Names and texts from a recording made harmless for where they are printed.

Whoever sends a packet chooses its names: terminal escapes, direction overrides
(Unicode Standard Annex 9), HTML and spreadsheet formulas may stand in any of
them.  They are made visible instead of being dropped, so that nothing is lost
and nothing acts.
"""

from __future__ import annotations

import re
import unicodedata

MAX_SHOWN_CHARACTERS = 2_000
"""Of one text in a printed report: longer than any sentence of ours, short enough not to drown a screen.
The JSON document keeps the whole."""

# Control (Cc), format (Cf: bidirectional controls, zero-width characters, tags), surrogates (Cs), private use
# (Co), unassigned (Cn: what a terminal does with them is not known), line and paragraph separators (Zl, Zp).
_ACTING_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

# Combining marks are parts of letters in many scripts; a long run of them only serves to paint over lines.
MAX_COMBINING_MARKS = 3

_ASCII_WORDS = str.maketrans(
    {
        "\u2013": "-",
        "\u2014": "-",
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u2022": "*",
        "\u2026": "...",
        "\u2190": "<-",
        "\u2192": "->",
        "\u2194": "<->",
        "\u00d7": "x",
        "\u00b1": "+/-",
        "\u2265": ">=",
        "\u2264": "<=",
        "\u2713": "yes",
        "\u2714": "yes",
        "\u2717": "no",
        "\u2718": "no",
        "\u00a0": " ",
        **dict.fromkeys("\u2500\u2501\u2550", "-"),
        **dict.fromkeys("\u2502\u2503\u2551", "|"),
        **dict.fromkeys("\u250c\u2510\u2514\u2518\u251c\u2524\u252c\u2534\u253c", "+"),
    }
)

# At these a spreadsheet begins to calculate, also in a cell pasted from a table (common practice).
_FORMULA_STARTS = ("=", "+", "-", "@")

_MARKDOWN_SPECIALS = re.compile(r"([\\`*_\[\]<>|~#])|&(?=[#\w])|(?<=\w):(?=//)|(?<=\bwww)\.|@")
_MARKDOWN_LINE_START = re.compile(r"^(\s*)([-+=>]|\d{1,9}[.)])")


def harmless_text(text: str) -> str:
    r"""
    One line without anything that acts on a terminal or reorders text.

    What acts is written as ``\xNN``, ``\uNNNN`` or ``\UNNNNNNNN``.
    """
    shown = text[:MAX_SHOWN_CHARACTERS]
    left_out = len(text) - len(shown)
    if not shown.isascii() or not shown.isprintable():
        shown = _spelt_out(shown)
    return f"{shown}... ({left_out} more characters)" if left_out else shown


def _spelt_out(text: str) -> str:
    parts = []
    marks = 0
    for character in text:
        category = unicodedata.category(character)
        marks = marks + 1 if category in {"Mn", "Me"} else 0
        if category in _ACTING_CATEGORIES or marks > MAX_COMBINING_MARKS:
            parts.append(_escape(character))
        else:
            parts.append(character)
    return "".join(parts)


def _escape(character: str) -> str:
    number = ord(character)
    if number <= 0xFF:
        return f"\\x{number:02x}"
    if number <= 0xFFFF:
        return f"\\u{number:04x}"
    return f"\\U{number:08x}"


def harmless_cell(text: str) -> str:
    """One line for a table cell that somebody may paste into a spreadsheet: a formula's start is quoted."""
    line = harmless_text(text)
    return f"'{line}" if line.lstrip().startswith(_FORMULA_STARTS) else line


def harmless_markdown(text: str, *, at_line_start: bool = True) -> str:
    """
    One line that CommonMark shows as it stands: no markup, HTML, link or table bar of its own.

    Backslash escapes are those of CommonMark 0.31 section 2.4; ``://``,
    ``www.`` and ``@`` are parted because many viewers turn them into links.  At the
    start of a line or list item, what would begin a list or heading is escaped too.
    """
    line = _MARKDOWN_SPECIALS.sub(_escape_markdown, harmless_text(text))
    return _MARKDOWN_LINE_START.sub(_escape_line_start, line) if at_line_start else line


def _escape_markdown(match: re.Match[str]) -> str:
    found = match.group()
    return "&#64;" if found == "@" else f"\\{found}"


def _escape_line_start(match: re.Match[str]) -> str:
    space, mark = match.groups()
    return f"{space}{mark[:-1]}\\{mark[-1]}"


def encode_for(text: str, encoding: str | None) -> bytes:
    """
    Octets of a text for a terminal or file of the given encoding.

    Where the encoding has no such character, arrows, ticks and lines become
    ASCII words and signs, and anything else its escaped number: an old console
    must not end a report in the middle (house section 8).
    """
    try:
        return text.encode(encoding or "utf-8")
    except UnicodeEncodeError:
        return text.translate(_ASCII_WORDS).encode(encoding or "ascii", "backslashreplace")
    except LookupError:
        return text.translate(_ASCII_WORDS).encode("ascii", "backslashreplace")
