"""The gate for the plan of a document: nearly every value in it is a sentence that may name somebody."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Document = dict[str, Any]

# Words of our own enumerations and the reader's file names; all else is text.
_OWN_WORDS = frozenset(
    {
        "layout",
        "router",
        "segment",
        "name",
        "transport",
        "family",
        "direction",
        "forwarding",
        "enforced_by",
        "state",
        "capture",
        "cautions",
    }
)


def redact_plan(plan: Document, *, text: Callable[[str], str], identifier: Callable[[str], str]) -> Document:
    """A plan with its alternatives; ``text`` and ``identifier`` are those of the gate."""

    def shown(value: Any, name: str) -> Any:
        if isinstance(value, dict):
            return {key: shown(part, key) for key, part in value.items()}
        if isinstance(value, list):
            return [shown(part, name) for part in value]
        if not isinstance(value, str) or name in _OWN_WORDS:
            return value
        return identifier(value) if name == "device_id" else text(value)

    return {key: shown(value, key) for key, value in plan.items()}


def planned_addresses(plan: Document | None) -> set[str]:
    """Addresses that the plan itself made up: nobody has them yet."""
    if plan is None:
        return set()
    plans = (plan, *plan["alternatives"])
    given = {row["address"] for one in plans for row in one["placements"]}
    prefixes = {row["prefix"].partition("/")[0] for one in plans for row in one["segments"] if row["prefix"]}
    return (given | prefixes) - {None}
