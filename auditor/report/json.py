"""The report as JSON (RFC 8259): the document itself, in ASCII, so that no console acts on recorded names."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from auditor.redaction.documents import ShownDocument, require_shown


def render_json(document: ShownDocument) -> str:
    """A report; raises ``TypeError`` for a document that did not pass the redaction."""
    require_shown(document)
    return render_members(document)


def render_members(document: dict[str, Any]) -> str:
    """
    Any object that holds nothing of a recording, rules for instance.

    One line for each entry of a list at the top; keys stand in the order of the contract.

    Entries are not indented further: the standard library writes that by a
    slower encoder, and a report may hold some ten thousand entries.
    """
    encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False).encode
    members = [f"  {encode(name)}: {_member(value, encode)}" for name, value in document.items()]
    return "{\n" + ",\n".join(members) + "\n}\n"


def _member(value: Any, encode: Callable[[Any], str]) -> str:
    if not isinstance(value, list) or not value:
        return encode(value)
    return "[\n    " + ",\n    ".join(map(encode, value)) + "\n  ]"
