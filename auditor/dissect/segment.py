"""
One TCP packet as it reaches the reader of streams, and what its numbers and ports tell.

Standard: RFC 9293 section 3.4 (sequence numbers), RFC 6335 section 6 (ports of services are registered).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from auditor.dissect.conversations import Talk
from auditor.dissect.registry import Dissector
from auditor.flows.flow import PacketReference
from auditor.flows.stream import SEQUENCE_SPACE


class Segment(NamedTuple):
    """One TCP packet as dispatch hands it over."""

    sequence: int
    acknowledgement: int
    flags: int
    payload: bytes
    missing: int
    """Octets that the snap length cut off."""
    packet: PacketReference
    timestamp_ns: int
    link_type: int


def is_opening(talk: Talk, forward: bool) -> bool:
    """Whether what waits in this direction is the first that it said, the opening recorded."""
    if talk.directions is None:
        return False
    direction = talk.directions[forward]
    stream = direction.stream
    return (
        direction.opening is not None
        and not direction.is_resumed
        and stream is not None
        and stream.position == 0
    )


def distance(later: int, earlier: int) -> int:
    """Signed difference of two sequence numbers (RFC 9293 3.4, RFC 1982 3.2)."""
    return (later - earlier + (SEQUENCE_SPACE >> 1)) % SEQUENCE_SPACE - (SEQUENCE_SPACE >> 1)


def client_by_ports(talk: Talk, forward: bool, ports: Sequence[int] | frozenset[int]) -> bool:
    """The direction of the client, by ports: the registered, else the lower one is the server's."""
    if talk.client_forward is not None:
        return talk.client_forward
    source, destination = talk.row.ports(forward)
    if (source in ports) != (destination in ports):
        return forward == (destination in ports)
    return forward == (destination <= source)


def orient(talk: Talk, forward: bool, dissector: Dissector, head: bytes) -> None:
    """Tell client and server apart where the opening was not recorded."""
    if talk.client_forward is not None:
        if talk.key is None:
            talk.orient(talk.client_forward)
        return
    speaks = dissector.client_speaks(head) if dissector.client_speaks is not None else None
    if speaks is None:
        talk.client_forward = client_by_ports(talk, forward, dissector.ports)
    else:
        talk.client_forward = forward == speaks
    talk.orient(talk.client_forward)
