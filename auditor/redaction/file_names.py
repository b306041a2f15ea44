"""
Names of recordings at the gate.

The user gave them, and they are shown without their folders; words that name
somebody else in the recording are taken out wherever they stand in them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

HIDDEN = "hidden"


def shown_names(names: Sequence[str], words: Iterable[str], text: Callable[[str], str]) -> dict[str, str]:
    """For each name what is shown; two that became equal are told apart by their order."""
    # No bound of words: in a file's name an underscore is what a space is elsewhere.
    private = sorted({word for word in words if word}, key=lambda word: (-len(word), word))
    found: dict[str, str] = {}
    for name in names:
        shown = text(name)
        for word in private:
            if word.casefold() in shown.casefold():
                shown = re.sub(re.escape(word), HIDDEN, shown, flags=re.IGNORECASE)
        if shown != name and shown in {*names, *found.values()}:
            shown = f"{len(found) + 1}-{shown}"
        found[name] = shown
    return found


def rename_captures(value: Any, names: dict[str, str]) -> Any:
    """A document with recordings under the names that are shown, in references and in sentences."""
    if isinstance(value, dict):
        return {key: rename_captures(part, names) for key, part in value.items()}
    if isinstance(value, list):
        return [rename_captures(part, names) for part in value]
    if isinstance(value, str):
        for old, new in names.items():
            if old in value:
                value = value.replace(old, new)
    return value
