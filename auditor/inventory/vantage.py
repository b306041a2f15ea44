"""
From where a capture was taken, told by whose unicast is in it.

Standards: RFC 6598 (shared addresses between provider and home), IEEE 802.1Q (bridges, unicast to one port).

A bridge and an access point show a host its own unicast and everybody's
broadcast.  So unicast that always has one end in common is that host's own
view, unless that host is the way out, or is the device in question.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from auditor.addresses import NO_LINK, Address, AddressKind, LinkAddress, is_group_link, is_ipv4, kind_of
from auditor.capture.record import CaptureFacts
from auditor.flows.flow import Flow
from auditor.inventory.model import Vantage
from auditor.packets.batch import ETHERTYPE_ARP, PROTOCOL_IGMP, PROTOCOL_UDP
from auditor.value_class import value_class

ANNOUNCEMENT_PORTS = frozenset({5353, 1900, 3702, 5355})  # mDNS, SSDP, web service discovery, LLMNR
WIRELESS_LINK_TYPES = frozenset({105, 127})  # LINKTYPE_IEEE802_11 and with radiotap
MAX_PAIRS = 65_536  # pairs of hosts that tell the vantage; more change nothing


@dataclass(slots=True)
class Sights:
    """What one capture shows of unicast, groups and addresses."""

    pairs: dict[tuple[LinkAddress, LinkAddress], int] = field(default_factory=dict)
    links: set[LinkAddress] = field(default_factory=set)
    both_ways: set[LinkAddress] = field(default_factory=set)
    one_way: set[LinkAddress] = field(default_factory=set)
    arp: int = 0
    announcements: int = 0
    other_group: int = 0
    wide_groups: int = 0
    """Packets to groups that a snooping bridge sends to members only (RFC 4541 2.1.2)."""
    unicast: int = 0
    addresses: set[Address] | None = None
    """Those that every unicast flow has at one end."""
    protected: int = 0
    """Frames that were encrypted on the air."""


@value_class
class Judged:
    """The vantage of one capture, with the reason and the recorder where known."""

    vantage: Vantage
    reason: str
    recorder: LinkAddress | None = None


def gather_sights(flows: Iterable[Flow], captures: int, protected: dict[int, int]) -> list[Sights]:
    """Sort what every capture shows, by the capture of each flow's first packet."""
    sights = [Sights() for _ in range(captures)]
    for flow in flows:
        index = flow.first_packet.capture_index
        if 0 <= index < captures:
            _note(sights[index], flow)
    for index, frames in protected.items():
        if 0 <= index < captures:
            sights[index].protected = frames
    return sights


def _note(sight: Sights, flow: Flow) -> None:
    initiator, responder, ethertype, protocol, _ = flow.key
    if initiator.link_address != NO_LINK and not is_group_link(initiator.link_address):
        sight.links.add(initiator.link_address)
    if ethertype == ETHERTYPE_ARP:
        sight.arp += 1
        return
    kind = kind_of(responder.address)
    if is_group_link(responder.link_address) or kind in {AddressKind.MULTICAST, AddressKind.BROADCAST}:
        _note_group(sight, flow, protocol)
        return
    sight.unicast += 1
    ends = {initiator.address, responder.address}
    sight.addresses = ends if sight.addresses is None else sight.addresses & ends
    if initiator.link_address == responder.link_address:
        return
    pair = (initiator.link_address, responder.link_address)
    pair = pair if pair[0] < pair[1] else (pair[1], pair[0])
    if pair in sight.pairs or len(sight.pairs) < MAX_PAIRS:
        sight.pairs[pair] = sight.pairs.get(pair, 0) + 1
    target = sight.both_ways if flow.packets_sent and flow.packets_received else sight.one_way
    target.update(pair)


def _note_group(sight: Sights, flow: Flow, protocol: int) -> None:
    responder = flow.responder
    if protocol == PROTOCOL_UDP and responder.port in ANNOUNCEMENT_PORTS:
        sight.announcements += 1
    else:
        sight.other_group += 1
    link_local = (
        responder.address[12:15] == b"\xe0\x00\x00"
        if is_ipv4(responder.address)
        else (responder.address[1] & 0x0F == 2)
    )
    if kind_of(responder.address) is AddressKind.MULTICAST and not link_local and protocol != PROTOCOL_IGMP:
        sight.wide_groups += 1


def judge_vantage(
    sight: Sights,
    facts: CaptureFacts,
    targets: set[LinkAddress],
    routers: set[LinkAddress],
    recorders: set[LinkAddress],
) -> Judged:
    """Judge one capture; ``targets`` are the link addresses of the devices in question."""
    if facts.format.startswith("announcements"):  # answers to searches in it are sent to one host
        return Judged(vantage="announcements-only", reason="nothing but announcements was recorded")
    wireless = any(interface.link_type in WIRELESS_LINK_TYPES for interface in facts.interfaces)
    if sight.protected and (wireless or not sight.unicast) and sight.protected > sight.unicast:
        text = f"{sight.protected} frames were recorded from the air and are encrypted"
        return Judged(vantage="wireless-encrypted", reason=text)
    if sight.unicast and not sight.arp and not sight.announcements:
        inside = _only_inside(sight)
        if inside:
            return Judged(
                vantage="outside-nat",
                reason="all traffic has one address of the outside of a router in common",
            )
    if not sight.pairs:
        return _without_unicast(sight)
    own = {item.link_address for item in facts.interfaces if item.link_address is not None}
    if own and not any(own & set(pair) for pair in sight.pairs):
        return Judged(vantage="on-path", reason="unicast that the recording host has no part in was recorded")
    common = set.intersection(*(set(pair) for pair in sight.pairs))
    if not common:
        return Judged(vantage="on-path", reason="unicast between several pairs of hosts was recorded")
    if len(common) == 2:  # one pair alone
        return _one_pair(sight, common, targets, routers, recorders)
    return _one_in_common(next(iter(common)), targets, routers, recorders)


def _only_inside(sight: Sights) -> bool:
    """One address common to all, of a kind that the outside of a home router has."""
    kinds = {kind_of(address) for address in sight.addresses or ()}
    outer = {AddressKind.GLOBAL, AddressKind.SHARED}
    return bool(kinds) and kinds <= outer and sight.unicast > 1


def _without_unicast(sight: Sights) -> Judged:
    if sight.unicast:
        return Judged(vantage="unknown", reason="the link type carries no link addresses")
    if sight.announcements and not sight.other_group and not sight.arp:
        return Judged(vantage="announcements-only", reason="nothing but announcements was recorded")
    if sight.announcements or sight.other_group or sight.arp:
        return Judged(vantage="multicast-only", reason="no unicast was recorded, only groups and broadcasts")
    return Judged(vantage="unknown", reason="there is no traffic to judge by")


def _one_pair(
    sight: Sights,
    pair: set[LinkAddress],
    targets: set[LinkAddress],
    routers: set[LinkAddress],
    recorders: set[LinkAddress],
) -> Judged:
    """A single pair: whose recording is it?"""
    stated = sorted(pair & recorders)
    recorder = stated[0] if stated else None
    others = sight.links - pair
    if not pair & targets:
        recorder = recorder or next(iter(sorted(pair - routers)), None) or min(pair)
        return _own_host(recorder)
    peer = next(iter(sorted(pair - targets)), None)
    if peer is None:
        return Judged(vantage="on-path", reason="unicast between the devices in question was recorded")
    if peer in routers and (recorder == peer or not others):
        text = "the device's only neighbour is the recording host, which is its way out"
        return Judged(vantage="own-access-point", reason=text, recorder=peer)
    if peer in routers and recorder is None:
        return Judged(vantage="on-path", reason="unicast between the device and the router was recorded")
    return _own_host(recorder or peer)


def _one_in_common(
    common: LinkAddress, targets: set[LinkAddress], routers: set[LinkAddress], recorders: set[LinkAddress]
) -> Judged:
    """Several pairs with one host in common."""
    if common in targets and common not in recorders:
        return Judged(vantage="on-path", reason="the device's own unicast with several hosts was recorded")
    if common in routers:
        if common in recorders:
            text = "all unicast passes the recording host, which is the way out"
            return Judged(vantage="own-access-point", reason=text, recorder=common)
        return Judged(vantage="on-path", reason="unicast of several hosts with the router was recorded")
    return _own_host(common)


def _own_host(recorder: LinkAddress) -> Judged:
    text = "all unicast in it has one and the same host at one end: it is that host's own view"
    return Judged(vantage="own-host", reason=text, recorder=recorder)


def overall(judged: Sequence[Judged]) -> Judged:
    """The vantage of the whole run: the most telling of its captures."""
    order: tuple[Vantage, ...] = (
        "on-path", "own-access-point", "own-host", "outside-nat", "wireless-encrypted", "multicast-only",
        "announcements-only", "unknown",
    )  # fmt: skip
    if not judged:
        return Judged(vantage="unknown", reason="there is no traffic to judge by")
    return min(judged, key=lambda one: order.index(one.vantage))
