"""What all facts have in common; ``facts`` holds the kinds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from auditor.flows.flow import PacketReference


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """Common to all facts."""

    PEERS: ClassVar[tuple[str, ...]] = ()
    NOT_FOR_RULES: ClassVar[frozenset[str]] = frozenset(
        {"device_id", "evidence", "first_seen_ns", "last_seen_ns"}
    )

    device_id: str
    """The device that a finding about this fact belongs to."""
    evidence: tuple[PacketReference, ...]
    """At most ``MAX_EVIDENCE``, in time order, the first one always kept."""
    first_seen_ns: int
    last_seen_ns: int
