"""Times of the pictures at the gate: peers under their ids, noted actions in the words that we know."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from auditor.inventory.timeline import KNOWN_ACTIONS

Document = dict[str, Any]

OTHER_ACTION = "other"
"""Stands for an action that the household noted in words of its own."""


def redact_moments(
    moments: Document, *, text: Callable[[str], str], identifier: Callable[[str], str]
) -> Document:
    """Return what may be shown; numbers pass as they are."""
    return {
        **moments,
        "actions": [
            {**one, "what": one["what"] if one["what"] in KNOWN_ACTIONS else OTHER_ACTION}
            for one in moments["actions"]
        ],
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
