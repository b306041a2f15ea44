"""
What is known of the packets that findings name: time, protocol, who to whom.

Headers only, never payload.  They are gathered while the recording is read
once; a second reading would cost as much as the first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

from auditor.addresses import AddressKind, format_address, kind_of
from auditor.dissect.message import Envelope, Issue
from auditor.flows.flow import Endpoint, FlowKey, PacketReference
from auditor.inventory.model import Inventory
from auditor.units import format_time

MAX_HEADERS = 65_536
"""
Packets of which headers are kept: some ten megabytes at most.

Facts keep their first packets as evidence, so the first messages matter; behind
the bound a packet is named by its number alone, unless it is a fact's first one.
"""


class PacketHeader(NamedTuple):
    """Of one packet that carried a message."""

    timestamp_ns: int
    protocol: str
    flow: FlowKey
    from_initiator: bool


# Half the time of calling the class, and there is one for each message of a recording.
_header: Callable[[tuple[object, ...]], PacketHeader] = partial(tuple.__new__, PacketHeader)


class HeaderKeeper:
    """Keeps headers of the first messages; the first message of a packet stands for it."""

    def __init__(self) -> None:
        self.headers: dict[PacketReference, PacketHeader] = {}

    def keep(self, items: Sequence[Envelope | Issue]) -> None:
        """Look at what dispatch delivered."""
        headers = self.headers
        if len(headers) >= MAX_HEADERS:
            return
        for item in items:
            if isinstance(item, Envelope):
                protocol, flow, from_initiator, packet, timestamp_ns, _, _ = item
                if packet not in headers:
                    headers[packet] = _header((timestamp_ns, protocol, flow, from_initiator))
                    if len(headers) >= MAX_HEADERS:
                        return


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

    def reference(self, packet: PacketReference) -> dict[str, Any]:
        """``{capture, packet}`` of the document."""
        return {"capture": self._names[packet.capture_index], "packet": packet.packet_number}

    def evidence(self, packet: PacketReference) -> dict[str, Any]:
        """``{capture, packet, time, excerpt}``; None where it is not known."""
        header = self._headers.get(packet)
        timestamp_ns = self._times.get(packet) if header is None else header.timestamp_ns
        return {
            **self.reference(packet),
            "time": None if timestamp_ns is None else format_time(timestamp_ns),
            "excerpt": None if header is None else self._excerpt(header),
        }

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
