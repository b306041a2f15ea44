"""The report for a terminal or a plain file: eighty columns, in words; colour only as an extra."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from auditor.report.harmless import harmless_cell, harmless_text
from auditor.report.outline import Fields, Heading, Items, Lines, Outline, Paragraph, Table

COLUMNS = 80
LABEL_COLUMNS = 13
MIN_COLUMNS = 20
"""Narrower text would only be a column of syllables; a table that leaves less is told row by row."""
MIN_FIELD_COLUMNS = 60
"""With fewer columns a label stands above its text: beside it, ids of rules would be broken."""

_BOLD, _RED, _YELLOW, _RESET = "\x1b[1m", "\x1b[1;31m", "\x1b[1;33m", "\x1b[0m"
_PAINTED = {
    "CRITICAL:": _RED,
    "HIGH:": _RED,
    "MEDIUM:": _YELLOW,
    "DO NOW:": _RED,
    "DO WHEN CONVENIENT:": _YELLOW,
    "WE CANNOT TELL:": _YELLOW,
}


def render_text(outline: Outline, *, columns: int = COLUMNS, colour: bool = False) -> str:
    """
    Plain text with a final newline.

    With ``colour``, headings and words of urgency are painted with SGR
    sequences (ECMA-48 section 8.3.117); the words stay, so that nothing hangs
    on colour.
    """
    lines: list[str] = []
    for block in outline:
        if lines:
            lines.append("")
        match block:
            case Heading():
                lines += _heading(block, columns, colour)
            case Paragraph(text):
                lines += [_paint(line, colour) for line in wrap(harmless_text(text), columns)]
            case Items(texts):
                lines += _items(texts, columns)
            case Fields(pairs):
                lines += [_paint(line, colour) for line in _fields(pairs, columns)]
            case Table():
                lines += _table(block, columns)
            case Lines(texts):
                lines += [f"  {harmless_text(text)}" for text in texts]
    return "\n".join(lines) + "\n"


def _heading(block: Heading, columns: int, colour: bool) -> list[str]:
    lines = wrap(harmless_text(block.text), columns)
    width = max(map(text_width, lines))
    painted = [_paint(line, colour, _BOLD) for line in lines]
    underline = {1: "=", 2: "-"}.get(block.level)
    return [*painted, underline * width] if underline else painted


def _paint(line: str, colour: bool, otherwise: str = "") -> str:
    if not colour:
        return line
    for words, sequence in _PAINTED.items():
        start = line.find(words)
        if 0 <= start <= 5:  # behind a finding's number at most: a recorded name further on is not painted
            return f"{line[:start]}{sequence}{words}{_RESET}{line[start + len(words) :]}"
    return f"{otherwise}{line}{_RESET}" if otherwise else line


def _items(texts: Iterable[str], columns: int) -> list[str]:
    lines: list[str] = []
    for text in texts:
        first, *rest = wrap(harmless_text(text), columns - 2)
        lines.append(f"* {first}")
        lines += [f"  {line}" for line in rest]
    return lines


def _fields(pairs: Iterable[tuple[str, str]], columns: int) -> list[str]:
    lines: list[str] = []
    if columns < MIN_FIELD_COLUMNS:
        for label, text in pairs:
            lines += [f"  {label}"] if label else []
            lines += [f"    {line}" for line in wrap(harmless_text(text), columns - 4)]
        return lines
    for label, text in pairs:
        first, *rest = wrap(harmless_text(text), columns - LABEL_COLUMNS - 2)
        lines.append(f"  {label:<{LABEL_COLUMNS}}{first}")
        lines += [f"  {'':<{LABEL_COLUMNS}}{line}" for line in rest]
    return lines


def _table(block: Table, columns: int) -> list[str]:
    """Columns as wide as their widest cell; the last one takes what is left and wraps."""
    rows = [block.headers, *(tuple(harmless_cell(cell) for cell in row) for row in block.rows)]
    widths = [max(text_width(row[place]) for row in rows) for place in range(len(block.headers) - 1)]
    left = columns - sum(widths) - 2 * len(widths) - 2
    if left < MIN_COLUMNS:
        return _stacked(rows, columns)
    lines: list[str] = []
    for number, row in enumerate(rows):
        first, *rest = wrap(row[-1], left)
        head = "  ".join(_padded(cell, width) for cell, width in zip(row[:-1], widths, strict=True))
        lines.append(f"  {head}  {first}")
        lines += [f"  {'':<{sum(widths) + 2 * len(widths)}}{line}" for line in rest]
        if number == 0:
            lines.append(f"  {'  '.join('-' * width for width in (*widths, text_width(first)))}")
    return lines


def _stacked(rows: list[tuple[str, ...]], columns: int) -> list[str]:
    """Each row's first cell with the others below it, for terminals as narrow as a telephone."""
    headers, *told = rows
    lines: list[str] = []
    for row in told:
        lines += [f"  {line}" for line in wrap(row[0], columns - 2)]
        for header, cell in zip(headers[1:], row[1:], strict=True):
            label = f"{header}: " if len(headers) > 2 else ""
            lines += [f"    {line}" for line in wrap(f"{label}{cell}", columns - 4)]
    return lines


def _padded(text: str, width: int) -> str:
    return text + " " * (width - text_width(text))


def text_width(text: str) -> int:
    """Terminal columns (Unicode Standard Annex 11): wide and full-width characters take two, marks none."""
    if text.isascii():
        return len(text)
    return sum(_character_width(character) for character in text)


def _character_width(character: str) -> int:
    if unicodedata.category(character) in {"Mn", "Me"}:
        return 0
    return 2 if unicodedata.east_asian_width(character) in {"W", "F"} else 1


def wrap(text: str, columns: int) -> list[str]:
    """At least one line; breaks at spaces, and inside a word only where it is longer than a line."""
    columns = max(columns, MIN_COLUMNS)
    lines: list[str] = []
    line, width = "", 0
    for word in text.split(" "):
        for piece in _pieces(word, columns):
            piece_width = text_width(piece)
            if line and width + 1 + piece_width > columns:
                lines.append(line)
                line, width = piece, piece_width
            elif line:
                line, width = f"{line} {piece}", width + 1 + piece_width
            else:
                line, width = piece, piece_width
    if line or not lines:
        lines.append(line)
    return lines


def _pieces(word: str, columns: int) -> Iterable[str]:
    if text_width(word) <= columns:
        yield word
        return
    piece, width = "", 0
    for character in word:
        wide = _character_width(character)
        if width + wide > columns:
            yield piece
            piece, width = "", 0
        piece += character
        width += wide
    yield piece
