"""
Which link address and which internet address belong to which device, and which lie outside the home.

Standards: RFC 6890 (special addresses), RFC 4291 (IPv6), RFC 5227 (ARP probes), RFC 4861 (routers).

The link address alone is no identity: a router carries the traffic of the
whole outside behind one, a repeater that of several devices.  So a device is
found by the pair of link address and address.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from auditor.addresses import (
    HOME_KINDS,
    NO_LINK,
    UNSPECIFIED,
    Address,
    AddressKind,
    LinkAddress,
    format_address,
    format_link,
    is_group_link,
    is_ipv4,
    kind_of,
)
from auditor.flows.flow import Endpoint, Flow, PacketReference
from auditor.packets.batch import ETHERTYPE_ARP, PROTOCOL_ICMPV6

ROUTER_ADVERTISEMENT = 134  # RFC 4861 4.2; stands as the initiator's port
MAX_DEVICES = 4096  # a /20 full of hosts; a recording with more is a scan or a forgery
MAX_ADDRESSES_ASKED = 64  # addresses of one host under which its lookups are sought; forged ones are many
MIN_IDENTITIES_BEHIND_REPEATER = 2  # different names behind one link address: no single host has them

OUTSIDE, GROUP, BROADCAST, NOBODY = "outside", "group", "broadcast", "nobody"


class Party(NamedTuple):
    """What stands at one end of a flow."""

    kind: str
    """``device``, ``outside``, ``group``, ``broadcast`` or ``nobody``."""
    device_id: str
    """Of a device; else empty."""
    segment: str
    """``same-segment``, ``other-segment`` (a home address behind the router) or ``internet``."""

    @property
    def is_device(self) -> bool:
        """Whether a device of this network stands here."""
        return self.kind == "device"


@dataclass(slots=True, kw_only=True, eq=False)
class Host:
    """One device while it is being put together."""

    device_id: str
    identity: str
    links: dict[LinkAddress, None] = field(default_factory=dict)
    addresses: dict[Address, None] = field(default_factory=dict)
    names: dict[str, None] = field(default_factory=dict)
    vendor_class: str | None = None
    first_ns: int | None = None
    last_ns: int | None = None
    behind_repeater: bool = False
    is_router: bool = False
    own_link: bool = True
    """False: told apart by address or name alone, its frames come from another's link address."""

    def seen(self, first_ns: int, last_ns: int) -> None:
        """Widen the span in which the device was seen."""
        self.first_ns = first_ns if self.first_ns is None else min(self.first_ns, first_ns)
        self.last_ns = last_ns if self.last_ns is None else max(self.last_ns, last_ns)


def device_id_of(identity: str) -> str:
    """A stable identifier: ``dev-`` and eight hexadecimal digits of BLAKE2b (RFC 7693) over the identity."""
    return "dev-" + hashlib.blake2b(identity.encode("utf-8", "surrogateescape"), digest_size=4).hexdigest()


class Network:
    """The devices of a recording, and who stands at an end of a flow."""

    def __init__(self) -> None:
        self.hosts: dict[str, Host] = {}
        self.router_links: set[LinkAddress] = set()
        self.overflow = 0
        self._by_link: dict[LinkAddress, str] = {}
        self._by_pair: dict[tuple[LinkAddress, Address], str] = {}
        self._by_address: dict[Address, str] = {}
        self._memo: dict[tuple[LinkAddress, Address], Party] = {}

    def make(self, identity: str) -> Host | None:
        """Return the device of that identity, made on first use; None where the table is full."""
        device_id = device_id_of(identity)
        host = self.hosts.get(device_id)
        if host is None:
            if len(self.hosts) >= MAX_DEVICES:
                self.overflow += 1
                return None
            host = self.hosts[device_id] = Host(device_id=device_id, identity=identity)
        return host

    def own_link(self, host: Host, link: LinkAddress) -> None:
        """All that comes from this link address is the device's."""
        host.links[link] = None
        self._by_link[link] = host.device_id

    def own_pair(self, host: Host, link: LinkAddress, address: Address) -> None:
        """This address behind this link address is the device's."""
        host.addresses[address] = None
        self._by_pair[link, address] = host.device_id
        self._by_address.setdefault(address, host.device_id)

    def hosts_by_name(self) -> dict[str, Host]:
        """Devices by the names they go by; the first where two claim one."""
        named: dict[str, Host] = {}
        for host in self.hosts.values():
            for name in host.names:
                named.setdefault(name, host)
        return named

    def host_of(self, link: LinkAddress) -> Host | None:
        """The device whose own link address this is."""
        device_id = self._by_link.get(link)
        return self.hosts[device_id] if device_id else None

    def at_address(self, address: Address) -> Host | None:
        """The first device seen with this address."""
        device_id = self._by_address.get(address)
        return self.hosts[device_id] if device_id else None

    def party(self, endpoint: Endpoint) -> Party:
        """Who stands at an end of a flow."""
        key = (endpoint.link_address, endpoint.address)
        known = self._memo.get(key)
        if known is None:
            known = self._memo[key] = self._party(*key)
        return known

    def _party(self, link: LinkAddress, address: Address) -> Party:
        kind = kind_of(address)
        if kind is AddressKind.MULTICAST:
            return Party(GROUP, "", "same-segment")
        if kind is AddressKind.BROADCAST or (is_group_link(link) and kind is not AddressKind.GLOBAL):
            return Party(BROADCAST, "", "same-segment")
        device_id = self._by_pair.get((link, address))
        if device_id is not None:
            own = self.hosts[device_id].own_link and link in self.hosts[device_id].links
            return Party("device", device_id, "same-segment" if own else _segment_behind(link))
        if link in self.router_links:
            return self._behind_router(link, address, kind)
        device_id = self._by_link.get(link)
        if device_id is not None:
            return Party("device", device_id, "same-segment")
        device_id = self._by_address.get(address)
        if device_id is not None:
            return Party("device", device_id, "same-segment")
        return (
            Party(OUTSIDE, "", "internet")
            if kind is AddressKind.GLOBAL
            else Party(NOBODY, "", "same-segment")
        )

    def _behind_router(self, link: LinkAddress, address: Address, kind: AddressKind) -> Party:
        device_id = self._by_address.get(address)
        if device_id is not None and (kind in HOME_KINDS or not is_ipv4(address)):
            return Party("device", device_id, "other-segment")
        if kind in {AddressKind.GLOBAL, AddressKind.SHARED}:
            return Party(OUTSIDE, "", "internet")
        if kind in {AddressKind.LINK_LOCAL, AddressKind.UNSPECIFIED}:
            return Party("device", self._by_link[link], "same-segment") if link in self._by_link else _NOBODY
        return _NOBODY


_NOBODY = Party(NOBODY, "", "other-segment")


def _segment_behind(link: LinkAddress) -> str:
    # Without link addresses (raw IP) nothing says which segment it was.
    return "same-segment" if link == NO_LINK else "other-segment"


@dataclass(slots=True)
class Pairs:
    """Pairs of link address and address that sent something, and what else the flows say of links."""

    sent: dict[LinkAddress, dict[Address, tuple[int, int, PacketReference]]] = field(default_factory=dict)
    targets: dict[LinkAddress, dict[Address, None]] = field(default_factory=dict)
    """Unicast targets that were asked, whether they ever answered or not."""
    arp: dict[LinkAddress, set[Address]] = field(default_factory=dict)
    probes: dict[LinkAddress, list[tuple[int, PacketReference, str]]] = field(default_factory=dict)
    routers: set[LinkAddress] = field(default_factory=set)
    """Links behind which several addresses of the outside live, or that advertise themselves as routers."""


def gather_pairs(flows: Iterable[Flow]) -> Pairs:
    """Walk over all flows once and note who sent from where."""
    pairs = Pairs()
    for flow in flows:
        initiator, responder, ethertype, protocol, _ = flow.key
        if flow.packets_sent:
            _note_sender(pairs, initiator, flow)
        if flow.packets_received:
            _note_sender(pairs, responder, flow)
        if ethertype == ETHERTYPE_ARP:
            if initiator.address == UNSPECIFIED or not any(initiator.address[12:]):
                how = "asked by ARP whether its address was free"  # RFC 5227 2.1.1
                pairs.probes.setdefault(initiator.link_address, []).append(
                    (flow.start_ns, flow.first_packet, how)
                )
            else:
                pairs.arp.setdefault(initiator.link_address, set()).add(initiator.address)
            continue
        if protocol == PROTOCOL_ICMPV6 and initiator.port == ROUTER_ADVERTISEMENT and flow.hop_limit == 255:
            pairs.routers.add(initiator.link_address)  # RFC 4861 6.1.2: a relayed one is not valid
        if not is_group_link(responder.link_address):
            pairs.targets.setdefault(responder.link_address, {})[responder.address] = None
    return pairs


def _note_sender(pairs: Pairs, end: Endpoint, flow: Flow) -> None:
    if is_group_link(end.link_address):
        return
    addresses = pairs.sent.setdefault(end.link_address, {})
    known = addresses.get(end.address)
    if known is None:
        addresses[end.address] = (flow.start_ns, flow.end_ns, flow.first_packet)
        return
    first, last, packet = known
    addresses[end.address] = (
        min(first, flow.start_ns),
        max(last, flow.end_ns),
        min(packet, flow.first_packet),
    )


def first_packet_of(host: Host, pairs: Pairs) -> PacketReference | None:
    """The first packet that a device sent from one of its addresses."""
    sent = [
        packet
        for link in host.links
        for address, (_, _, packet) in pairs.sent.get(link, {}).items()
        if address in host.addresses
    ]
    return min(sent, default=None)


def fallback_identity(link: LinkAddress, address: Address) -> str:
    """
    An identity for a device of which nothing but an address behind another's link address was seen.

    It changes when the address does; there is nothing else to hold on to.
    """
    where = f"{format_link(link)}/" if any(link) else ""
    return f"name:{where}{format_address(address)}"
