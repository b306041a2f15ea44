"""What the flow table delivers: two-way flows in the terms of RFC 5103."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from auditor.addresses import Address, LinkAddress
from auditor.value_class import value_class


class PacketReference(NamedTuple):
    """One packet that anybody can look up in a packet viewer."""

    capture_index: int
    """Which capture of the run, from 0."""
    packet_number: int
    """From 1, in the order of that capture."""


class Endpoint(NamedTuple):
    """One end of a flow."""

    link_address: LinkAddress
    address: Address
    port: int
    """TCP or UDP; ICMP: type at the initiator, code at the responder; 0 elsewhere and where folded away."""


class FlowKey(NamedTuple):
    """What tells flows apart, oriented from initiator to responder as far as that is known."""

    initiator: Endpoint
    responder: Endpoint
    ethertype: int
    protocol: int
    """IANA protocol number; 0 where the ethertype is not IP."""
    vlan_id: int


class InitiatorKnown(StrEnum):
    """How sure we are who opened a flow."""

    PROVEN = "proven"  # SYN, or SYN-ACK, or the first datagram of an exchange whose beginning was recorded
    LIKELY = "likely"  # by port numbers or message direction, the beginning was not recorded
    UNKNOWN = "unknown"


class FlowOutcome(StrEnum):
    """What became of the attempt."""

    ESTABLISHED = "established"  # answered: SYN-ACK, or packets both ways
    UNANSWERED = "unanswered"
    REFUSED = "refused"  # RST to a SYN, or ICMP port unreachable
    PROHIBITED = "prohibited"  # ICMP administratively prohibited, or another unreachable code
    MID_STREAM = "mid-stream"  # TCP whose opening was not recorded


MIN_REGULAR_STARTS = 8
"""Fewer starts can be as many presses of a button, or the tries of one exchange that nobody answered: a
person seldom acts eight times at one pace, and tries come at doubling intervals (RFC 2131 4.1,
RFC 6298 5.5)."""

MAX_JITTER_SHARE = 0.2
"""Of the median interval.  Timers of small devices stay within some per cent, also on busy wireless networks;
random starts deviate by about seven tenths of their median (exponential intervals; computed)."""


def is_regular(median_seconds: float, jitter_seconds: float, count: int) -> bool:
    """Whether starts come as by a clock, so that one may speak of a rhythm: for rules and words alike."""
    return (
        count >= MIN_REGULAR_STARTS
        and median_seconds > 0
        and jitter_seconds <= MAX_JITTER_SHARE * median_seconds
    )


@value_class
class Period:
    """The intervals of starts; whether they are a rhythm says ``is_regular``."""

    median_seconds: float
    """Between starts."""
    jitter_seconds: float
    """Median absolute deviation of the intervals from their median."""
    count: int
    """Starts, not intervals."""

    @property
    def is_regular(self) -> bool:
        """Whether the starts come as by a clock."""
        return is_regular(self.median_seconds, self.jitter_seconds, self.count)


class Path(NamedTuple):
    """A further place where packets of a flow were recorded: behind a router, or with another VLAN tag."""

    source_link: LinkAddress
    destination_link: LinkAddress
    vlan_id: int
    hop_limit: int
    """Of the first packet there; lower than the flow's own by the routers between."""
    packets: int
    """Recorded there; they count once in the flow, wherever they were recorded."""


@value_class
class Flow:
    """A two-way flow (RFC 5103), or several that were folded into one row."""

    key: FlowKey
    initiator_known: InitiatorKnown
    outcome: FlowOutcome
    start_ns: int
    end_ns: int
    packets_sent: int
    """By the initiator; duplicates not counted."""
    packets_received: int
    octets_sent: int
    """Whole frames, original length."""
    octets_received: int
    payload_sent: int
    """Octets of transport payload by the IP length."""
    payload_received: int
    tcp_flags_sent: int
    """All flags seen, ored together."""
    tcp_flags_received: int
    first_packet: PacketReference
    hop_limit: int
    """Of the initiator's first packet."""
    duplicates: int
    """Copies of the same packet that were not counted."""
    connections: int
    """1, or how many flows the table folded into this row."""
    folded: bool
    period: Period | None
    """Rhythm of starts of this conversation (same initiator, responder and responder's port); None below
    4 starts.  Flows of one conversation carry the same period."""
    refused_by: Address | None
    """Who sent the RST or ICMP error, where the outcome is refused or prohibited."""
    paths: tuple[Path, ...] = ()
    """Further places where packets of this flow were recorded, either direction; few at most."""
    unrecorded_sent: int = 0
    """Octets of TCP payload that the responder acknowledged and the recording does not hold; a minimum, 0
    where the opening was not recorded."""
    unrecorded_received: int = 0

    @property
    def initiator(self) -> Endpoint:
        """The end that opened the flow, as far as ``initiator_known`` says."""
        return self.key.initiator

    @property
    def responder(self) -> Endpoint:
        """The other end."""
        return self.key.responder
