"""
How wide a text will be, without a browser at hand.

Widths are those of DejaVu Sans 2.37, one of the widest sans-serif faces in
common use: a text that fits in it fits in whatever face a reader's machine
puts in its place.  For a character that is not in the table a width is
reserved, into which whatever face draws it is then fitted.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

# Advances in 1/2048 of the type size, from the font's hmtx table (OpenType 1.9): U+0020..7E and U+00A0..FF.
_BASIC = (
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405,
    1430, 1577, 1294, 1178, 1587, 1540, 604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300,
    1251, 1499, 1401, 2025, 1403, 1251, 1403, 799, 690, 799, 1716, 1024, 1024, 1255, 1300, 1126, 1300,
    1260, 721, 1300, 1298, 569, 569, 1186, 569, 1995, 1298, 1253, 1300, 1300, 842, 1067, 803, 1298,
    1212, 1675, 1212, 1212, 1075, 1303, 690, 1303, 1716,
)  # fmt: skip
_LATIN = (
    651, 821, 1303, 1303, 1303, 1303, 690, 1024, 1024, 2048, 965, 1253, 1716, 739, 2048, 1024, 1024,
    1716, 821, 821, 1024, 1303, 1303, 651, 1024, 821, 965, 1253, 1985, 1985, 1985, 1087, 1401, 1401,
    1401, 1401, 1401, 1401, 1995, 1430, 1294, 1294, 1294, 1294, 604, 604, 604, 604, 1587, 1532, 1612,
    1612, 1612, 1612, 1612, 1716, 1612, 1499, 1499, 1499, 1499, 1251, 1239, 1290, 1255, 1255, 1255,
    1255, 1255, 1255, 2011, 1126, 1260, 1260, 1260, 1260, 569, 569, 569, 569, 1253, 1298, 1253, 1253,
    1253, 1253, 1253, 1716, 1253, 1298, 1298, 1298, 1298, 1212, 1300, 1212,
)  # fmt: skip
_UNITS = 2048
_WIDTHS = {
    **{chr(0x20 + place): width for place, width in enumerate(_BASIC)},
    **{chr(0xA0 + place): width for place, width in enumerate(_LATIN)},
    "\u2013": 1024, "\u2018": 651, "\u2019": 651, "\u201c": 1061, "\u201d": 1061, "\u201e": 1061,
    "\u2026": 2048, "\u00d7": 1716, "\u2265": 1716, "\u2264": 1716,
}  # fmt: skip
_WIDE = 2048
"""One em: ideographs and full-width signs (Unicode Standard Annex 11)."""
_UNKNOWN = 1400
"""Letters of other scripts, about; ``Drawing.text`` makes them take just what is reserved for them."""
_PICTOGRAPH = 2900
"""Pictographs of colour faces reach some 1.4 em (seen in two faces; from memory)."""

ELLIPSIS = "\u2026"


@lru_cache(maxsize=4096)
def text_width(text: str, size: int) -> int:
    """The width to reserve, in the unit of ``size`` (the type size); rounded up."""
    return -(-sum(map(_advance, text)) * size // _UNITS)


def is_measured(text: str) -> bool:
    """Whether the width is that of a face, not one reserved for signs that other faces supply."""
    return all(character in _WIDTHS for character in text)


def _advance(character: str) -> int:
    known = _WIDTHS.get(character)
    if known is not None:
        return known
    category = unicodedata.category(character)
    if category in {"Mn", "Me"}:
        return 0
    if category == "So" or character >= "\U0001f000":
        return _PICTOGRAPH
    return _WIDE if unicodedata.east_asian_width(character) in {"W", "F"} else _UNKNOWN


def shorten(text: str, width: int, size: int) -> str:
    """The text, or its beginning with an ellipsis, no wider than ``width``."""
    if text_width(text, size) <= width:
        return text
    room = width - text_width(ELLIPSIS, size)
    used, end = 0, 0
    for end, character in enumerate(text):  # noqa: B007  # the place where it stopped
        used += _advance(character) * size
        if used > room * _UNITS:
            break
    return f"{text[:end].rstrip()}{ELLIPSIS}"


def break_lines(text: str, width: int, size: int, most: int) -> list[str]:
    """
    At least one and at most ``most`` lines, none wider than ``width``.

    Breaks at spaces, and behind hyphens and dots where a word is longer than a
    line; what is left over ends in an ellipsis.
    """
    lines: list[str] = []
    line = ""
    words = [piece for word in text.split() for piece in _pieces(word, width, size)]
    for place, (piece, glued) in enumerate(words):
        joined = f"{line}{piece}" if glued or not line else f"{line} {piece}"
        if not line or text_width(joined, size) <= width:
            line = joined
            continue
        if len(lines) + 1 == most:
            rest = "".join(f"{'' if glue else ' '}{word}" for word, glue in words[place:])
            return [*lines, shorten(f"{line}{rest}", width, size)]
        lines.append(line)
        line = piece
    return [*lines, line]


def _pieces(word: str, width: int, size: int) -> list[tuple[str, bool]]:
    """The word in pieces no wider than a line; True: joins the one before without a space."""
    if text_width(word, size) <= width:
        return [(word, False)]
    pieces: list[tuple[str, bool]] = []
    rest = word
    while text_width(rest, size) > width:
        end = 1
        used = _advance(rest[0]) * size
        while used + _advance(rest[end]) * size <= width * _UNITS:
            used += _advance(rest[end]) * size
            end += 1
        soft = max(rest.rfind("-", 1, end), rest.rfind(".", 1, end)) + 1
        end = soft if soft > end // 2 else end
        pieces.append((rest[:end], bool(pieces)))
        rest = rest[end:]
    pieces.append((rest, True))
    return pieces
