"""Times of the pictures at the gate: peers under their ids, names and noted actions as free text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Document = dict[str, Any]


def redact_moments(
    moments: Document, *, text: Callable[[str], str], identifier: Callable[[str], str]
) -> Document:
    """Return what may be shown; numbers pass as they are."""
    return {
        **moments,
        "actions": [{**one, "what": text(one["what"])} for one in moments["actions"]],
        "lanes": [
            {
                **lane,
                "peer_id": None if lane["peer_id"] is None else identifier(lane["peer_id"]),
                "name": None if lane["name"] is None else text(lane["name"]),
            }
            for lane in moments["lanes"]
        ],
        "air": [{**one, "device_id": identifier(one["device_id"])} for one in moments["air"]],
    }
