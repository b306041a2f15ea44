"""
Who opened a flow, how sure that is, and what became of the attempt.

Standards: RFC 5103 section 2 (initiator), RFC 9293 section 3.5 (SYN, SYN with
ACK, RST in answer), RFC 6335 section 6 (ranges of ports).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.flows.flow import FlowOutcome, InitiatorKnown
from auditor.flows.keys import Int64
from auditor.flows.rows import ACCEPTED, FOLDED, OPENED, SYSTEM_PORTS
from auditor.flows.ways import Ways, first_way
from auditor.packets.batch import PROTOCOL_TCP, RST
from auditor.units import NS_PER_SECOND

GRACE_NS = 30 * NS_PER_SECOND
"""A datagram flow whose first packet comes later than this after the recording's first one began inside it:
senders that keep a datagram exchange open repeat about every 15 s (RFC 8085 section 3.5, from memory), and
two such turns would have been seen before."""

EPHEMERAL_PORTS = 32768
"""Clients take their ports from here on (common practice; the dynamic range of RFC 6335 begins at 49152)."""

DYNAMIC_PORTS = 49152

KNOWN = (InitiatorKnown.UNKNOWN, InitiatorKnown.LIKELY, InitiatorKnown.PROVEN)
"""What the numbers of ``Orientation.known`` mean."""

OUTCOMES = (
    FlowOutcome.UNANSWERED,
    FlowOutcome.ESTABLISHED,
    FlowOutcome.REFUSED,
    FlowOutcome.PROHIBITED,
    FlowOutcome.MID_STREAM,
)
"""What the numbers of the outcomes mean."""
UNANSWERED, ESTABLISHED, REFUSED, PROHIBITED, MID_STREAM = range(5)
_UNKNOWN, _LIKELY, _PROVEN = range(3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Orientation:
    """One entry a flow."""

    initiator_way: Int64
    """0: the initiator sent the rows that go forward, 1: those that go backward."""
    known: Int64
    """Index into ``KNOWN``."""
    outcome: Int64
    """Index into ``OUTCOMES``; errors that a third party reported are not considered yet."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlowFields:
    """What every flow is; one entry a flow; source and destination are those of the forward direction."""

    protocol: Int64
    source_port: Int64
    destination_port: Int64
    is_echo: npt.NDArray[np.bool_]
    echo_way: Int64
    """Which way echo requests go."""
    is_one_way: npt.NDArray[np.bool_]


def orient(ways: Ways, fields: FlowFields, recording_start_ns: int) -> Orientation:
    """Decide for all flows at once."""
    is_tcp = fields.protocol == PROTOCOL_TCP
    first = first_way(ways)
    by_port = _server_by_port(fields)
    way, known = _by_first_datagram(ways, first, by_port, recording_start_ns)
    tcp_way, tcp_known = _by_opening(ways, first, by_port)
    way, known = np.where(is_tcp, tcp_way, way), np.where(is_tcp, tcp_known, known)
    forgot_ports = (fields.source_port == 0) & (fields.destination_port == 0) & ~(is_tcp & (known == _PROVEN))
    known = np.where(forgot_ports, _UNKNOWN, known)  # fragments and folded rows
    way = np.where(fields.is_echo, fields.echo_way, way)
    known = np.where(fields.is_echo, _PROVEN, known)  # the type says who asks: RFC 792, RFC 4443 section 4
    way = np.where(fields.is_one_way, 0, way)
    known = np.where(fields.is_one_way, _PROVEN, known)  # who sends what nobody answers has begun it
    return Orientation(initiator_way=way, known=known, outcome=_outcome(ways, way, is_tcp))


def _server_by_port(fields: FlowFields) -> Int64:
    """Which way the server's packets go by port numbers alone: 0, 1, or -1 where they do not tell."""
    source, destination = fields.source_port, fields.destination_port
    result = np.full(len(source), -1, np.int64)
    for bound in (EPHEMERAL_PORTS, DYNAMIC_PORTS, SYSTEM_PORTS):  # the last one that tells is the surest
        result = np.where((source < bound) & (destination >= bound), 0, result)
        result = np.where((destination < bound) & (source >= bound), 1, result)
    named = (source != 0) & (destination != 0)
    return np.where(named, result, -1)


def _by_first_datagram(
    ways: Ways, first: Int64, server_way: Int64, recording_start_ns: int
) -> tuple[Int64, Int64]:
    """The first sender began it, unless its port is a server's: then the question was not recorded."""
    begins_inside = ways.first_ns.min(axis=0, initial=np.iinfo(np.int64).max) - recording_start_ns > GRACE_NS
    is_answer = server_way == first
    known = np.where(begins_inside & ~is_answer, _PROVEN, _LIKELY)
    return np.where(is_answer, 1 - server_way, first), known


def _by_opening(ways: Ways, first: Int64, server_way: Int64) -> tuple[Int64, Int64]:
    """SYN, then SYN with ACK, then ports."""
    opened = (ways.marks & OPENED) != 0
    accepted = (ways.marks & ACCEPTED) != 0
    claims = opened | accepted[::-1]  # SYN from here, or SYN with ACK from the other end
    way = np.where(claims[0] & claims[1], first, claims[1].astype(np.int64))
    # Both ends claim: SYNs crossed, or a later connection went the other way; SYN beats SYN with ACK.
    way = np.where(claims[0] & claims[1] & (opened[0] != opened[1]), opened[1].astype(np.int64), way)
    is_proven = claims.any(axis=0)
    has_server = server_way >= 0
    way = np.where(is_proven, way, np.where(has_server, 1 - server_way, first))
    return way, np.where(is_proven, _PROVEN, np.where(has_server, _LIKELY, _UNKNOWN))


def _outcome(ways: Ways, way: Int64, is_tcp: npt.NDArray[np.bool_]) -> Int64:
    index = np.arange(len(way))
    responder = 1 - way
    is_answered = ways.packets[responder, index] > 0
    reset = (ways.tcp_flags[responder, index] & RST) != 0
    accepted = (ways.marks[responder, index] & ACCEPTED) != 0
    opened = (ways.marks[way, index] & OPENED) != 0
    answer = np.where(is_answered, ESTABLISHED, UNANSWERED)
    tcp = np.where(reset, REFUSED, answer)
    tcp = np.where(opened, tcp, MID_STREAM)
    tcp = np.where(accepted, ESTABLISHED, tcp)
    return np.where(is_tcp, tcp, answer)


def is_folded(ways: Ways) -> npt.NDArray[np.bool_]:
    """Whether a flow holds rows that the memory bound has joined."""
    result: npt.NDArray[np.bool_] = ((ways.marks[0] | ways.marks[1]) & FOLDED) != 0
    return result
