"""
Recorded flows, joined into classes that every plan treats alike.

A class is: who began, with whom, over which family, transport and port.  Plans
are tried on classes; counts of flows are kept, so that no flow is lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from auditor.addresses import (
    HOME_KINDS,
    UNSPECIFIED,
    Address,
    AddressKind,
    LinkAddress,
    family_of,
    format_address,
    is_group_link,
    is_ipv4,
    kind_of,
)
from auditor.flows.flow import Endpoint, Flow, FlowKey, FlowOutcome, InitiatorKnown, PacketReference
from auditor.inventory.model import Inventory
from auditor.isolation.model import MAX_BECAUSE
from auditor.packets.batch import ETHERTYPE_ARP, PROTOCOL_ICMPV6
from auditor.registries import protocol_name

MAX_CLASSES = 4_096
"""Classes kept apart: a home has some hundreds (common practice), each tried under every layout.  A scan
makes more; its flows count as unknown.  Flows that were answered come first, so that no scan hides a wish."""

PROTOCOL_ICMP, PROTOCOL_IGMP, PROTOCOL_TCP, PROTOCOL_UDP = 1, 2, 6, 17
ICMP_ERRORS = frozenset({3, 11, 12})  # RFC 792; 4 and 5 are deprecated (RFC 6633) or no error about a flow
ICMPV6_ERRORS = frozenset({1, 2, 3, 4})  # RFC 4443
NEIGHBOURS = frozenset({130, 131, 132, 133, 134, 135, 136, 137, 143})
"""ICMPv6 between a host and its link: neighbour discovery (RFC 4861), listener discovery (RFC 2710, 3810)."""
ROUTER_PORTS = frozenset({67, 68, 547, 546})  # DHCP (RFC 2131), DHCPv6 (RFC 8415)


_ANSWERED = frozenset({FlowOutcome.ESTABLISHED, FlowOutcome.MID_STREAM})


class End(NamedTuple):
    """What stands at one end of a flow."""

    kind: str
    """``device``, ``router``, ``home`` (an address of the home that no listed device bears), ``outside``,
    ``group``, ``everybody`` or ``nobody`` (no address yet)."""
    device_id: str = ""
    address: Address = UNSPECIFIED
    """Of ``outside`` and ``group`` alone: devices may change theirs."""


class FlowClass(NamedTuple):
    """What tells classes apart; everything a plan can look at."""

    initiator: End
    responder: End
    family: str
    """``ipv4``, ``ipv6`` or ``link`` (ARP and what else is no IP)."""
    transport: str
    port: int
    """The responder's, for TCP and UDP."""
    message_type: int
    """ICMP or ICMPv6 type; else -1."""
    initiator_known: bool
    is_link_local: bool
    """An address of it is valid on one link alone (RFC 3927, RFC 4291 2.5.6): no router passes it on."""
    is_piece: bool
    """Later fragments, or several conversations folded into one row: there is no port to judge by."""


@dataclass(slots=True)
class Tally:
    """What a class is made of."""

    flows: int = 0
    answered: int = 0
    """Flows that had an answer."""
    packets: list[PacketReference] = field(default_factory=list)
    """First packets of the first flows."""
    retry_seconds: float | None = None
    """Median of the intervals between starts, where there is a rhythm."""
    is_exposed: bool = False
    """A finding is about it."""


class Parties:
    """Finds who stands at an end, by the devices of an inventory."""

    def __init__(self, inventory: Inventory) -> None:
        self._by_address: dict[Address, str] = {}
        self._by_link: dict[LinkAddress, str] = {}
        self.routers = {device.device_id for device in inventory.devices if "router" in device.roles}
        router_links: set[LinkAddress] = set()
        for device in inventory.devices:
            for address in device.addresses:
                self._by_address.setdefault(address, device.device_id)
            for link in device.link_addresses:
                self._by_link.setdefault(link, device.device_id)
                if device.device_id in self.routers:
                    router_links.add(link)
        self._router_links = router_links
        self._memo: dict[tuple[LinkAddress, Address], End] = {}

    def end(self, endpoint: Endpoint) -> End:
        """Who stands there; remembered, because a home has few ends and many flows."""
        key = (endpoint.link_address, endpoint.address)
        found = self._memo.get(key)
        if found is None:
            if len(self._memo) > MAX_CLASSES:
                self._memo.clear()
            found = self._memo[key] = self._end(*key)
        return found

    def _end(self, link: LinkAddress, address: Address) -> End:
        kind = kind_of(address)
        if kind is AddressKind.MULTICAST:
            return End("group", "", address)
        if kind is AddressKind.BROADCAST or is_group_link(link):
            return End("everybody")
        device_id = self._by_address.get(address)
        if device_id is None and link not in self._router_links:
            device_id = self._by_link.get(link)
        if device_id is None and kind is AddressKind.LINK_LOCAL:
            device_id = self._by_link.get(link)
        if device_id is not None:
            return End("router" if device_id in self.routers else "device", device_id)
        if kind in {AddressKind.UNSPECIFIED, AddressKind.LOOPBACK}:
            return End("nobody")
        if kind in HOME_KINDS:
            return End("home")
        return End("outside", "", address)


class FlowClasses:
    """All flows of a recording, by class, in the order of their first packet."""

    def __init__(self, inventory: Inventory, flows: Iterable[Flow]) -> None:
        self.parties = Parties(inventory)
        self.tallies: dict[FlowClass, Tally] = {}
        self.overflow = 0
        """Flows of classes that were too many."""
        self.flows = 0
        self._by_first_packet: dict[PacketReference, FlowClass] = {}
        unanswered: list[Flow] = []
        for flow in flows:
            if flow.outcome in _ANSWERED:
                self._add(flow)
            else:
                unanswered.append(flow)
        for flow in unanswered:
            self._add(flow)
        self.tallies = dict(sorted(self.tallies.items(), key=lambda item: min(item[1].packets)))

    def _add(self, flow: Flow) -> None:
        self.flows += 1
        key = self.class_of(
            flow.key, is_known=flow.initiator_known is not InitiatorKnown.UNKNOWN, is_folded=flow.folded
        )
        tally = self.tallies.get(key)
        if tally is None:
            if len(self.tallies) >= MAX_CLASSES:
                self.overflow += 1
                return
            tally = self.tallies[key] = Tally()
        tally.flows += 1
        tally.answered += flow.outcome in _ANSWERED
        if len(tally.packets) < MAX_BECAUSE:
            tally.packets.append(flow.first_packet)
            tally.packets.sort()
        if flow.period is not None:
            tally.retry_seconds = flow.period.median_seconds
        self._by_first_packet[flow.first_packet] = key

    def class_of(self, key: FlowKey, *, is_known: bool = True, is_folded: bool = False) -> FlowClass:
        """The class that a flow of this key belongs to."""
        initiator, responder, ethertype, protocol, _ = key
        if protocol == 0 or ethertype == ETHERTYPE_ARP:
            transport = "arp" if ethertype == ETHERTYPE_ARP else "none"
            first, second = self.parties.end(initiator), self.parties.end(responder)
            return FlowClass(first, second, "link", transport, 0, -1, is_known, True, False)
        addresses = (initiator.address, responder.address)
        family = _family(addresses)
        has_ports = protocol in {PROTOCOL_TCP, PROTOCOL_UDP}
        has_types = protocol == (PROTOCOL_ICMP if family == "ipv4" else PROTOCOL_ICMPV6)
        return FlowClass(
            self.parties.end(initiator),
            self.parties.end(responder),
            family,
            protocol_name(protocol) or f"protocol-{protocol}",
            responder.port if has_ports else 0,
            initiator.port if has_types else -1,
            is_known,
            any(kind_of(address) is AddressKind.LINK_LOCAL for address in addresses),
            has_ports and responder.port == 0 and (is_folded or initiator.port == 0),
        )

    def expose(self, packets: Iterable[PacketReference], keys: Mapping[PacketReference, FlowKey]) -> None:
        """Mark the classes that packets named by findings belong to."""
        for packet in packets:
            found = self._by_first_packet.get(packet)
            if found is None and packet in keys:
                found = self._find(keys[packet])
            if found is not None:
                self.tallies[found].is_exposed = True

    def _find(self, key: FlowKey) -> FlowClass | None:
        for way in (key, key._replace(initiator=key.responder, responder=key.initiator)):
            for is_known in (True, False):
                found = self.class_of(way, is_known=is_known)
                if found in self.tallies:
                    return found
        return None

    @property
    def families(self) -> frozenset[str]:
        """Families in which the recording holds anything but link housekeeping."""
        return frozenset(
            one.family
            for one in self.tallies
            if one.family != "link" and one.message_type not in NEIGHBOURS and one.transport != "igmp"
        )


def _family(addresses: tuple[Address, Address]) -> str:
    for address in addresses:
        if address != UNSPECIFIED:
            return family_of(address)
    return "ipv6"


def end_word(end: End) -> str:
    """Words for an end that has no device."""
    if end.kind == "group":
        return f"the group {format_address(end.address)}"
    if end.kind == "outside":
        return format_address(end.address)
    return {"home": "another address of the home", "everybody": "everybody", "router": "the router"}.get(
        end.kind, "nobody"
    )


def is_global_ipv6(address: Address) -> bool:
    """Whether an address is IPv6 and valid beyond its link."""
    return not is_ipv4(address) and kind_of(address) is not AddressKind.LINK_LOCAL
