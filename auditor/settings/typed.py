"""
Nodes to typed values: every reader returns None and notes a problem where the node does not fit.

Callers go on after a None, so that one run names every mistake, and build
their value only if no problem was noted.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from auditor.settings.problems import Problems, nearest, shown
from auditor.settings.yaml_text import Mapping as MappingNode
from auditor.settings.yaml_text import Node, Scalar, Sequence, describe

MAX_LISTED = 12  # words that a message lists; more would hide the rest of the line

# ASCII only, not ``isdigit``: digits of other scripts look like others.  Eighteen digits fit 64 bits.
_WHOLE_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,17})", re.ASCII)
_DECIMAL_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,17})(\.[0-9]{1,18})?", re.ASCII)


def list_words(words: Collection[str]) -> str:
    """``a, b or c`` for messages, cut after ``MAX_LISTED``."""
    listed = sorted(words) if isinstance(words, set | frozenset) else list(words)
    if len(listed) > MAX_LISTED:
        return ", ".join(listed[:MAX_LISTED]) + ", …"
    return " or ".join(filter(None, [", ".join(listed[:-1]), listed[-1]])) if listed else "nothing"


def read_mapping(
    node: Node, problems: Problems, *, what: str, keys: Collection[str], required: Collection[str] = ()
) -> Mapping[str, Node] | None:
    """The entries by key; unknown and missing keys are noted, the known ones still given."""
    if not isinstance(node, MappingNode):
        problems.add(node.place, f"expected {what} (a mapping), found {describe(node)}")
        return None
    entries: dict[str, Node] = {}
    for key, value in node.entries:
        if key.text in keys:
            entries[key.text] = value
        else:
            hint = nearest(key.text, keys) or f"; known are {list_words(keys)}"
            problems.add(key.place, f"expected a key of {what}, found {shown(key.text)}{hint}")
    for key_name in required:
        if key_name not in entries:
            problems.add(node.place, f"expected the key {key_name!r} in {what}, found none")
    return entries


def read_sequence(node: Node, problems: Problems, *, what: str, most: int) -> tuple[Node, ...] | None:
    """The items; more than ``most`` is a problem."""
    if not isinstance(node, Sequence):
        problems.add(node.place, f"expected {what} (a list), found {describe(node)}")
        return None
    if len(node.items) > most:
        problems.add(node.place, f"expected at most {most} of {what}, found {len(node.items)}")
        return None
    return node.items


def read_text(node: Node, problems: Problems, *, what: str, most: int) -> str | None:
    """Text that is not empty, of at most ``most`` characters; outer blanks and line ends are dropped."""
    if not isinstance(node, Scalar):
        problems.add(node.place, f"expected {what}, found {describe(node)}")
        return None
    text = node.text.strip()
    if not text or len(text) > most:
        found = f"{len(text)} characters" if text else "nothing"
        problems.add(node.place, f"expected {what} of 1 to {most} characters, found {found}")
        return None
    return text


def read_word(node: Node, problems: Problems, *, what: str, words: Collection[str]) -> str | None:
    """One of the given words."""
    if isinstance(node, Scalar) and node.text in words:
        return node.text
    hint = nearest(node.text, words) if isinstance(node, Scalar) else ""
    problems.add(node.place, f"expected {what} ({list_words(words)}), found {describe(node)}{hint}")
    return None


def read_whole_number(node: Node, problems: Problems, *, what: str) -> int | None:
    """A decimal whole number of at most 18 digits, without leading zeros."""
    if isinstance(node, Scalar) and _WHOLE_NUMBER.fullmatch(node.text):
        return int(node.text)
    problems.add(node.place, f"expected {what} (a whole number), found {describe(node)}")
    return None


def read_decimal_number(node: Node, problems: Problems, *, what: str) -> float | None:
    """A decimal number, written without exponent."""
    if isinstance(node, Scalar) and _DECIMAL_NUMBER.fullmatch(node.text):
        return float(node.text)
    problems.add(node.place, f"expected {what} (a decimal number), found {describe(node)}")
    return None


def read_truth(node: Node, problems: Problems, *, what: str) -> bool | None:
    """``true`` or ``false``, in these letters: ``On`` and ``yes`` are names of lamps."""
    word = read_word(node, problems, what=what, words=("true", "false"))
    return None if word is None else word == "true"
