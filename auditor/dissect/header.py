"""
What the header of a chosen packet tells whoever reads its payload.

Standard: RFC 9293 section 3.4 (sequence numbers).
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.flows.flow import PacketReference
from auditor.flows.stream import SEQUENCE_SPACE


class Header(NamedTuple):
    """One packet as dispatch hands it over, beside its payload."""

    sequence: int
    """Of the first octet of payload: one more than in the header where there is a SYN.  TCP alone, as the
    next two."""
    acknowledgement: int
    flags: int
    missing: int
    """Octets of payload that the snap length cut off."""
    marks: int
    """As in ``PacketBatch``."""
    packet: PacketReference
    timestamp_ns: int
    link_type: int


def distance(later: int, earlier: int) -> int:
    """Signed difference of two sequence numbers (RFC 9293 3.4, RFC 1982 3.2)."""
    return (later - earlier + (SEQUENCE_SPACE >> 1)) % SEQUENCE_SPACE - (SEQUENCE_SPACE >> 1)
