"""The report as JSON (RFC 8259): the document itself, in ASCII, so that no console acts on recorded names."""

from __future__ import annotations

import json
from typing import Any


def render_json(document: dict[str, Any]) -> str:
    """Indent by two, end with a newline; keys stand in the order of the contract."""
    return json.dumps(document, ensure_ascii=True, indent=2, allow_nan=False) + "\n"
