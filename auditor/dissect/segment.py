"""
One TCP packet as it reaches the reader of streams, and what its numbers tell.

Standard: RFC 9293 section 3.4 (sequence numbers).
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.flows.flow import PacketReference
from auditor.flows.stream import SEQUENCE_SPACE


class Segment(NamedTuple):
    """One TCP packet as dispatch hands it over."""

    sequence: int
    """Of the first octet of payload: one more than in the header where there is a SYN."""
    acknowledgement: int
    flags: int
    payload: bytes
    missing: int
    """Octets that the snap length cut off."""
    packet: PacketReference
    timestamp_ns: int
    link_type: int


def distance(later: int, earlier: int) -> int:
    """Signed difference of two sequence numbers (RFC 9293 3.4, RFC 1982 3.2)."""
    return (later - earlier + (SEQUENCE_SPACE >> 1)) % SEQUENCE_SPACE - (SEQUENCE_SPACE >> 1)
