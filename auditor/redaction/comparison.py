"""The gate for the comparison of a document: ends are identifiers or names, reasons are free text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Document = dict[str, Any]

_FIXED = frozenset({"router", "home", "broadcast"})
_TEXTS = frozenset({"because", "stopped_by", "wish"})


def redact_comparison(
    comparison: Document, *, text: Callable[[str], str], identifier: Callable[[str], str]
) -> Document:
    """A comparison as it may be shown; ``text`` and ``identifier`` are those of the gate."""

    def end(value: str) -> str:
        if value in _FIXED:
            return value
        if value.startswith("outside:"):
            return f"outside:{text(value.removeprefix('outside:'))}"
        return identifier(value)

    def row(one: Document) -> Document:
        shown = {name: text(value) if name in _TEXTS and value else value for name, value in one.items()}
        return shown | {name: end(one[name]) for name in ("device_id", "peer_id") if name in one}

    return {
        **comparison,
        "conversations": [row(one) for one in comparison["conversations"]],
        "wishes": [row(one) for one in comparison["wishes"]],
        "notes": [text(note) for note in comparison["notes"]],
    }
