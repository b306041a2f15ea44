"""
Access control entries that the wishes need, and the walls around them.

Standards: RFC 8519 (entries), RFC 4890 (ICMPv6 that must pass), RFC 2131 and
RFC 8415 (leases), RFC 8520 section 5 (the same idea as defaults: local names and
time, nothing else that was not asked for).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from auditor.addresses import Address
from auditor.flows.flow import PacketReference
from auditor.isolation.addressing import Addressing
from auditor.isolation.flow_classes import ICMPV6_ERRORS, NEIGHBOURS, End, FlowClass, FlowClasses
from auditor.isolation.model import (
    ANYWHERE,
    INTERNET,
    LIGHTS,
    MAIN,
    MAX_BECAUSE,
    ROUTER,
    Entry,
    Family,
    Selector,
)
from auditor.value_class import value_class

ECHO_REQUEST, ECHO_REQUEST6, ECHO_REPLY6 = 8, 128, 129  # RFC 792, RFC 4443
NAME_PORTS = frozenset({53, 853})  # RFC 1035, RFC 7858
TIME_PORT, MULTICAST_DNS_PORT = 123, 5353

MAX_ENTRIES = 400
"""Of one plan: a household's has some dozens; more than a router holds, or a reader reads, is no plan."""


@value_class
class Need:
    """A class of flows that must pass, and for what."""

    one: FlowClass
    reason: str


@value_class
class EntryContext:
    """What entries are made from."""

    classes: FlowClasses
    addressing: Addressing
    moves: frozenset[str]
    names: dict[Address, str]
    """Hostnames that outside addresses were looked up by."""
    label: Callable[[str], str]
    """A device_id as people know it."""

    def segment_of(self, end: End) -> str | None:
        """Where an end sits; None for groups and those without an address."""
        match end.kind:
            case "device":
                return LIGHTS if end.device_id in self.moves else MAIN
            case "home":
                return MAIN
            case "router":
                return ROUTER
            case "outside":
                return INTERNET
        return None


def needed_entries(context: EntryContext, needs: Iterable[Need]) -> list[Entry]:
    """
    One entry for each thing that must pass between segments, narrowest first form.

    What stays inside one segment needs none; what cannot be routed (groups,
    link-local addresses) can have none.
    """
    made: dict[tuple[object, ...], Entry] = {}
    for need in needs:
        entry = _entry(context, need)
        if entry is None:
            continue
        key = (
            entry.source,
            replace(entry.destination, addresses=())
            if entry.destination.segment == INTERNET
            else entry.destination,
            entry.family,
            entry.transport,
            entry.port,
            entry.message_types,
        )
        known = made.get(key)
        if known is None:
            if len(made) < MAX_ENTRIES:
                made[key] = entry
            continue
        addresses = tuple(sorted({*known.destination.addresses, *entry.destination.addresses}))
        reasons = known.reason if entry.reason in known.reason else f"{known.reason}; {entry.reason}"
        made[key] = replace(
            known,
            destination=replace(known.destination, addresses=addresses),
            reason=reasons,
            because=_first_packets({*known.because, *entry.because}),
        )
    return sorted(made.values(), key=_sort_key)


def _first_packets(packets: Iterable[PacketReference]) -> tuple[PacketReference, ...]:
    return tuple(sorted(packets)[:MAX_BECAUSE])


def _sort_key(entry: Entry) -> tuple[object, ...]:
    order = {(LIGHTS, INTERNET): 0, (LIGHTS, MAIN): 1, (MAIN, LIGHTS): 2}
    return (
        order.get((entry.source.segment, entry.destination.segment), 3),
        entry.because,
        entry.transport or "",
        entry.port or 0,
        entry.family or "",
        entry.source.device_id or "",
        entry.destination.device_id or "",
        entry.destination.addresses,
    )


def _entry(context: EntryContext, need: Need) -> Entry | None:
    one = need.one
    source, destination = context.segment_of(one.initiator), context.segment_of(one.responder)
    if None in {source, destination} or source == destination or ROUTER in {source, destination}:
        return None
    if one.is_link_local or one.is_piece or one.family == "link" or not one.initiator_known:
        return None
    family: Family = "ipv4" if one.family == "ipv4" else "ipv6"
    from_lights = source == LIGHTS
    if not from_lights and not (source == MAIN and destination == LIGHTS):
        return None
    if destination == INTERNET:
        address = one.responder.address
        target = Selector(segment=INTERNET, addresses=(address,), name=context.names.get(address))
    else:
        if one.responder.kind != "device":
            return None  # an address that no listed device bears: nobody wished for it
        moves = destination == LIGHTS
        target = context.addressing.destination(one.responder.device_id, family, moves=moves)
        if not moves and target.device_id is None:
            return None
    begins = (
        context.addressing.source(one.initiator.device_id, moves=True)
        if from_lights
        else Selector(segment=MAIN)
    )
    return Entry(
        source=begins,
        destination=target,
        family=family,
        transport=one.transport,
        port=one.port or None,
        message_types=(one.message_type,) if one.message_type >= 0 else (),
        direction="from-device" if from_lights else "to-device",
        is_exception=from_lights and destination == MAIN,
        reason=need.reason,
        because=tuple(context.classes.tallies[one].packets[:MAX_BECAUSE]),
    )


def router_entries(*, serves_time: bool, is_relay: bool) -> list[Entry]:
    """What the lights may ask of the router itself: leases, names, their own link, and no more."""
    lights, router = Selector(segment=LIGHTS), Selector(segment=ROUTER)

    def allow(
        family: Family | None,
        transport: str,
        reason: str,
        port: int | None = None,
        types: frozenset[int] = frozenset(),
    ) -> Entry:
        return Entry(
            source=lights,
            destination=router,
            family=family,
            transport=transport,
            port=port,
            message_types=tuple(sorted(types)),
            enforced_by="router-input",
            reason=reason,
        )

    entries = [
        allow("ipv4", "udp", "an address by DHCP (RFC 2131)", 67),
        allow("ipv6", "udp", "an address by DHCPv6 (RFC 8415)", 547),
        allow(None, "udp", "names from the router (RFC 1035)", 53),
        allow(None, "tcp", "long answers to name queries (RFC 7766)", 53),
        allow(
            "ipv6",
            "icmpv6",
            "ICMPv6 that must pass: neighbours, groups, errors, echo (RFC 4890 section 4.4.1)",
            types=NEIGHBOURS | ICMPV6_ERRORS | {ECHO_REQUEST6, ECHO_REPLY6},
        ),
        allow("ipv4", "icmp", "echo, to test the way", types=frozenset({ECHO_REQUEST})),
        allow("ipv4", "igmp", "groups, so that snooping switches know their members (RFC 3376)"),
    ]
    if serves_time:
        entries.append(allow(None, "udp", "the time from the router (RFC 5905)", TIME_PORT))
    if is_relay:
        entries.append(allow(None, "udp", "announcements, for the relay (RFC 6762)", MULTICAST_DNS_PORT))
    wall = Entry(
        source=lights,
        destination=router,
        family=None,
        transport=None,
        forwarding="drop",
        enforced_by="router-input",
        reason="the router's own admin page and all else of it",
    )
    return [*entries, wall]


def echo_entries() -> list[Entry]:
    """The lights may be tested by echo from the main network; errors pass by state (RFC 4890 4.3.1)."""
    kinds: tuple[tuple[Family, str, int], ...] = (
        ("ipv4", "icmp", ECHO_REQUEST),
        ("ipv6", "icmpv6", ECHO_REQUEST6),
    )
    return [
        Entry(
            source=Selector(segment=MAIN),
            destination=Selector(segment=LIGHTS),
            family=family,
            transport=transport,
            message_types=(message_type,),
            direction="to-device",
            reason="echo from the main network, to test the way",
        )
        for family, transport, message_type in kinds
    ]


def walls() -> list[Entry]:
    """The last entries: whatever no entry lets through, in both directions and both families."""
    anywhere, lights = Selector(segment=ANYWHERE), Selector(segment=LIGHTS)
    return [
        Entry(
            source=lights,
            destination=anywhere,
            family=None,
            transport=None,
            forwarding="drop",
            reason="the lights begin nothing else, towards the main network or the internet",
        ),
        Entry(
            source=anywhere,
            destination=lights,
            family=None,
            transport=None,
            direction="to-device",
            forwarding="drop",
            reason="nobody else begins anything towards the lights",
        ),
    ]


def passing(source: str, destination: str, reason: str, *, forwarding: str = "accept") -> Entry:
    """What a network of the router's own making does with everything between two segments."""
    return Entry(
        source=Selector(segment=source),
        destination=Selector(segment=destination),
        family=None,
        transport=None,
        direction="from-device" if source == LIGHTS else "to-device",
        forwarding="accept" if forwarding == "accept" else "drop",
        enforced_by="router-input" if destination == ROUTER else "router-forward",
        reason=reason,
    )
