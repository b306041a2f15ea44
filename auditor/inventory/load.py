"""
Lighting data: who sends which universe to whom, how fast, and how much of the recording it is.

Standards: ANSI E1.31-2018 sections 6.2.3 (priority), 6.6 (universe), 9.3 (groups 239.255.x.y); Art-Net 4.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from auditor.addresses import Address, AddressKind, kind_of
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.artnet import ArtNetMessage
from auditor.dissect.protocols.ddp import DdpMessage
from auditor.dissect.protocols.e131 import E131Data
from auditor.flows.flow import Endpoint, FlowKey
from auditor.inventory.airtime import airtime_range
from auditor.inventory.facts import Fact, GroupLoadFact
from auditor.inventory.network import Network
from auditor.inventory.sighting import Sighting, Table
from auditor.units import NS_PER_SECOND

MAX_UNIVERSES = 65_536  # of all senders; E1.31 knows 63,999 and Art-Net 32,768
MIN_SPAN_SECONDS = 1.0  # a rate over less than a second is an accident of the first packets


class LoadKey(NamedTuple):
    """One universe from one sender to one destination."""

    sender: Endpoint
    receiver: Endpoint
    protocol: str
    universe: int


class LoadRow(Sighting):
    """Frames of one universe."""

    __slots__ = ("octets", "priority", "sources")

    def __init__(self) -> None:
        super().__init__()
        self.octets = 0
        self.priority: int | None = None
        self.sources: dict[bytes, None] = {}


class LoadCollector:
    """Counts frames; this runs for every frame of a show and does little."""

    def __init__(self) -> None:
        self.rows: Table[LoadKey, LoadRow] = Table(LoadRow, MAX_UNIVERSES)
        # As in ``content``: hashing two endpoints for each frame would cost more than counting it.
        self._by_identity: dict[tuple[int, bool, int], tuple[FlowKey, LoadRow]] = {}

    def on_e131(self, envelope: Envelope, message: E131Data) -> None:
        """Count one E1.31 data packet."""
        row = self._count(envelope, message.universe, message.length)
        row.priority = message.priority
        if len(row.sources) < 16:  # more components than that on one host are a test
            row.sources[message.sender_identifier] = None

    def on_artnet(self, envelope: Envelope, message: ArtNetMessage) -> None:
        """Count one Art-Net data packet."""
        if message.effect == "light" and message.universe is not None:
            self._count(envelope, message.universe, message.length)

    def on_ddp(self, envelope: Envelope, message: DdpMessage) -> None:
        """Count one DDP packet with light data; the display takes the place of a universe."""
        if message.effect == "light" and message.data_octets:
            self._count(envelope, message.destination, message.length)

    def _count(self, envelope: Envelope, universe: int, octets: int) -> LoadRow:
        protocol, flow, from_initiator, packet, timestamp_ns, _, _ = envelope
        memo = (id(flow), from_initiator, universe)
        known = self._by_identity.get(memo)
        if known is not None and known[0] is flow:
            row = known[1]
        else:
            ends = (flow.initiator, flow.responder) if from_initiator else (flow.responder, flow.initiator)
            row = self.rows.at(LoadKey(*ends, protocol, universe))
            if len(self._by_identity) >= MAX_UNIVERSES:
                self._by_identity.clear()
            self._by_identity[memo] = (flow, row)
        row.add(timestamp_ns, packet)
        row.octets += octets
        return row

    def facts(self, network: Network, recorded_octets: int) -> list[Fact]:
        """One fact for each sender, protocol and whether it goes to groups."""
        by_sender: dict[tuple[str, str, bool], list[tuple[LoadKey, LoadRow]]] = {}
        senders: dict[tuple[str, int, Address | None], dict[str, set[int | None]]] = {}
        for key, row in self.rows.items():
            party = network.party(key.sender)
            if not party.is_device:
                continue
            to_many = is_to_many(key.receiver)
            by_sender.setdefault((party.device_id, key.protocol, to_many), []).append((key, row))
            where = (key.protocol, key.universe, None if to_many else key.receiver.address)
            senders.setdefault(where, {}).setdefault(party.device_id, set()).add(row.priority)
        return [
            _fact(*group, rows, senders, recorded_octets)
            for group, rows in sorted(by_sender.items(), key=lambda item: item[0])
        ]


def _fact(
    device_id: str,
    protocol: str,
    to_many: bool,
    rows: Iterable[tuple[LoadKey, LoadRow]],
    senders: dict[tuple[str, int, Address | None], dict[str, set[int | None]]],
    recorded_octets: int,
) -> GroupLoadFact:
    seen = Sighting()
    octets = 0
    rivals: list[dict[str, set[int | None]]] = []
    universes: set[int] = set()
    for key, row in rows:
        seen.absorb(row)
        octets += row.octets
        universes.add(key.universe)
        rivals.append(senders[protocol, key.universe, None if to_many else key.receiver.address])
    most = max(rivals, key=len)
    priorities: set[int | None] = set().union(*most.values())
    span = max((seen.last_ns - seen.first_ns) / NS_PER_SECOND, MIN_SPAN_SECONDS)
    air = airtime_range(seen.count / span, octets / max(seen.count, 1))
    equal = None if len(most) < 2 or None in priorities else len(priorities) == 1
    return GroupLoadFact(
        device_id=device_id,
        evidence=seen.evidence,
        first_seen_ns=seen.first_ns,
        last_seen_ns=seen.last_ns,
        protocol=protocol,
        universes=len(universes),
        frames_per_second=round(seen.count / span, 3),
        octets_per_second=round(octets / span, 3),
        is_group=to_many,
        share_of_recording=round(min(octets / recorded_octets, 1.0), 6) if recorded_octets else 0.0,
        senders_of_same_universe=len(most),
        equal_priority=equal,
        airtime_least_percent=round(100 * air.lowest, 2) if to_many else None,
        airtime_most_percent=round(100 * air.highest, 2) if to_many else None,
    )


def is_to_many(end: Endpoint) -> bool:
    """Whether a destination is a group or a broadcast, also one directed at a subnet."""
    kind = kind_of(end.address)
    return kind in {AddressKind.MULTICAST, AddressKind.BROADCAST} or bool(end.link_address[0] & 1)
