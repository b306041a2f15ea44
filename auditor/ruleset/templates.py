"""
Sentences of rules with fields in braces.

No ``str.format``: its attribute and index syntax would let a rule reach into
objects.  What a field holds comes from the recording and is inserted as it is;
the report makes it harmless.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from auditor.inventory.facts import Fact
from auditor.ruleset.fields import Field, FieldValue
from auditor.settings.problems import Place, Problems, nearest, shown

MAX_VALUE_CHARACTERS = 256  # a DNS name has at most 253; what is longer is cut with an ellipsis

_PART = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")


@dataclass(frozen=True, slots=True)
class Template:
    """A sentence in parts."""

    parts: tuple[str | Field, ...]

    def render(self, fact: Fact) -> str:
        """The sentence for one fact; an unknown field reads ``unknown``."""
        return "".join(
            [part if isinstance(part, str) else format_value(part.read(fact)) for part in self.parts]
        )


def parse_template(text: str, known: Mapping[str, Field], place: Place, problems: Problems) -> Template:
    """Split a sentence at its fields; ``{{`` and ``}}`` are braces.  Unknown fields become problems."""
    parts: list[str | Field] = []
    at = 0
    for match in _PART.finditer(text):
        parts.append(text[at : match.start()])
        at = match.end()
        token = match.group()
        if token in ("{{", "}}"):
            parts.append(token[0])
        elif match.group(1) is None:
            problems.add(
                place, f"expected braces in pairs, found a single {token!r} (write it twice to print it)"
            )
        elif (field := known.get(match.group(1))) is not None:
            parts.append(field)
        else:
            name = match.group(1)
            problems.add(place, f"expected a field in braces, found {shown(name)}{nearest(name, known)}")
    parts.append(text[at:])
    return Template(tuple(part for part in parts if part != ""))


def format_value(value: FieldValue) -> str:
    """A field's value in a sentence."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    text = (", ".join(value) or "none") if isinstance(value, tuple) else str(value)
    return text if len(text) <= MAX_VALUE_CHARACTERS else text[: MAX_VALUE_CHARACTERS - 1] + "…"
