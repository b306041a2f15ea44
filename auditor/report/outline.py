"""
The parts of a printed report, before any form is chosen.

Texts are raw: whoever renders an outline makes them harmless for its target.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Heading:
    """A title; level 1 is the report's own."""

    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True, slots=True)
class Items:
    """A list; each item is one paragraph."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fields:
    """Labels and what they hold, in order."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Two or three narrow columns of words."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines to copy as they stand, such as commands: never broken, however long."""

    texts: tuple[str, ...]


Block = Heading | Paragraph | Items | Fields | Table | Lines
Outline = list[Block]

PRIVATE = "This report contains private data: nobody's names and addresses are hidden."


def private_mark(document: Mapping[str, Any]) -> Outline:
    """What every outline of a revealed document says near its top; nothing for a redacted one."""
    return [Paragraph(PRIVATE)] if document["redaction"]["revealed"] else []
