"""
What is known of the packets that findings name: time, protocol, who to whom.

Headers only, never payload.  They are gathered while the recording is read
once; a second reading would cost as much as the first.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from auditor.addresses import AddressKind, format_address, kind_of
from auditor.dissect.message import Envelope, Issue
from auditor.flows.flow import Endpoint, FlowKey, PacketReference
from auditor.inventory.model import Inventory
from auditor.units import format_time

MAX_HEADERS = 65_536
"""
Messages of which headers are kept: some megabyte and a half, and the keys of their flows.

Facts keep their first packets as evidence, so the first messages matter; behind
the bound a packet is named by its number alone, unless it is a fact's first one.
"""

_NUMBER_BITS = 40  # packets of one capture: a file of so many could not be stored
_PROTOCOL_BITS = 10  # names of protocols: some fifty


class PacketHeader(NamedTuple):
    """Of one packet that carried a message."""

    timestamp_ns: int
    protocol: str
    flow: FlowKey
    from_initiator: bool


class HeaderKeeper:
    """
    Keeps headers of the first messages; the first message of a packet stands for it.

    In columns: an object for each of them would take five times the room.
    """

    def __init__(self) -> None:
        self._packets = array("q")
        self._times = array("q")
        self._words = array("i")
        """Of the flow its place, of the protocol its place, and who spoke."""
        self._places: dict[int, int] = {}
        self._flows: list[FlowKey] = []
        self._protocols: dict[str, int] = {}
        self._is_full = False

    def keep(self, items: Sequence[Envelope | Issue]) -> None:
        """Look at what dispatch delivered."""
        if self._is_full:
            return
        packets, times, words, places = self._packets, self._times, self._words, self._places
        protocols = self._protocols
        last = -1
        for item in items:
            if isinstance(item, Envelope):
                protocol, flow, from_initiator, packet, timestamp_ns, _, _ = item
                code = packet[0] << _NUMBER_BITS | packet[1]
                if code == last:
                    continue
                last = code
                place = places.get(id(flow))  # dispatch hands the same object with each message of a flow
                if place is None:
                    place = places[id(flow)] = len(self._flows)
                    self._flows.append(flow)  # kept, so that nothing else gets its identity
                name = protocols.setdefault(protocol, len(protocols))
                packets.append(code)
                times.append(timestamp_ns)
                words.append((place << _PROTOCOL_BITS | name) << 1 | from_initiator)
                if len(packets) >= MAX_HEADERS:
                    self._is_full = True
                    return

    def headers(self) -> HeaderBook:
        """What was kept."""
        codes, first = np.unique(np.array(self._packets, np.int64), return_index=True)
        times, words = np.array(self._times, np.int64), np.array(self._words, np.int64)
        return HeaderBook(codes, times[first], words[first], self._flows, tuple(self._protocols))


class HeaderBook(Mapping[PacketReference, PacketHeader]):
    """Headers by packet, made when somebody asks; in the order of captures and packets."""

    def __init__(
        self,
        codes: npt.NDArray[np.int64],
        times_ns: npt.NDArray[np.int64],
        words: npt.NDArray[np.int64],
        flows: Sequence[FlowKey],
        protocols: Sequence[str],
    ) -> None:
        self._codes, self._times_ns, self._words = codes, times_ns, words
        self._flows, self._protocols = flows, protocols

    def __getitem__(self, packet: PacketReference) -> PacketHeader:
        code = packet.capture_index << _NUMBER_BITS | packet.packet_number
        place = int(self._codes.searchsorted(code))
        if place == len(self._codes) or self._codes[place] != code:
            raise KeyError(packet)
        word = int(self._words[place])
        protocol = self._protocols[(word >> 1) & ((1 << _PROTOCOL_BITS) - 1)]
        flow = self._flows[word >> (_PROTOCOL_BITS + 1)]
        return PacketHeader(int(self._times_ns[place]), protocol, flow, bool(word & 1))

    def __iter__(self) -> Iterator[PacketReference]:
        mask = (1 << _NUMBER_BITS) - 1
        return (PacketReference(code >> _NUMBER_BITS, code & mask) for code in self._codes.tolist())

    def __len__(self) -> int:
        return len(self._codes)


class PacketFlows(Mapping[PacketReference, FlowKey]):
    """The flow of each packet that evidence may name."""

    def __init__(self, headers: Mapping[PacketReference, PacketHeader]) -> None:
        self._headers = headers

    def __getitem__(self, packet: PacketReference) -> FlowKey:
        return self._headers[packet].flow

    def __iter__(self) -> Iterator[PacketReference]:
        return iter(self._headers)

    def __len__(self) -> int:
        return len(self._headers)


class EvidenceBook:
    """Describes packets by the names that the inventory gave."""

    def __init__(
        self,
        inventory: Inventory,
        capture_names: Sequence[str],
        headers: Mapping[PacketReference, PacketHeader],
    ) -> None:
        self._names = capture_names
        self._headers = headers
        self._times = _first_times(inventory)
        self._owners = {
            address: device.device_id
            for device in reversed(inventory.devices)  # of two bearers of one address the first listed counts
            for address in device.addresses
        }
        self._told: dict[PacketReference, dict[str, Any]] = {}

    def reference(self, packet: PacketReference) -> dict[str, Any]:
        """``{capture, packet}`` of the document."""
        return {"capture": self._names[packet.capture_index], "packet": packet.packet_number}

    def evidence(self, packet: PacketReference) -> dict[str, Any]:
        """
        ``{capture, packet, time, excerpt}``; None where it is not known.

        The same object each time: a packet proves a finding or two, and is described once.
        """
        told = self._told.get(packet)
        if told is None:
            header = self._headers.get(packet)
            timestamp_ns = self._times.get(packet) if header is None else header.timestamp_ns
            told = self._told[packet] = {
                **self.reference(packet),
                "time": None if timestamp_ns is None else format_time(timestamp_ns),
                "excerpt": None if header is None else self._excerpt(header),
            }
        return told

    def _excerpt(self, header: PacketHeader) -> str:
        flow = header.flow
        ends = (flow.initiator, flow.responder)
        source, destination = ends if header.from_initiator else ends[::-1]
        return f"{header.protocol}, {self._end(source)} to {self._end(destination)}"

    def _end(self, end: Endpoint) -> str:
        port = f" port {end.port}" if end.port else ""
        owner = self._owners.get(end.address)
        if owner is not None:
            return f"{owner}{port}"
        if kind_of(end.address) is AddressKind.BROADCAST:
            return f"everybody{port}"
        return f"{format_address(end.address)}{port}"


def _first_times(inventory: Inventory) -> dict[PacketReference, int]:
    """A fact's first packet was seen at its ``first_seen_ns``; the others carry no time of their own."""
    times: dict[PacketReference, int] = {}
    for facts in inventory.facts.values():
        for fact in facts:
            if fact.evidence:
                times.setdefault(fact.evidence[0], fact.first_seen_ns)
    return times
