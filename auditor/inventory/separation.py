"""
With whom a device shares its network segment, as far as one recording shows it.

Standards: RFC 2132 section 3.3 (subnet mask of a lease), RFC 4291 section 2.5.4 (interface identifiers of
           64 bits), IEEE 802.1Q (a VLAN is a segment of its own).

Two devices are in one segment where frames with their own link addresses were
recorded at the same place (capture and VLAN) and their addresses are of one
prefix.  A router's cooked recording holds several segments at one place, so
that the place alone proves nothing; a new network name proves nothing either
(scenario S37).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from auditor.addresses import AddressKind, is_ipv4, kind_of
from auditor.flows.flow import Flow, PacketReference
from auditor.inventory.expected import Wishes
from auditor.inventory.facts import MAX_EVIDENCE, Fact, SeparationFact
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.network import Host, Network, Pairs, first_packet_of

USUAL_MASK_LENGTH = 24  # of a home's IPv4 network, where no lease says otherwise (common practice)
PERSONAL_ROLES = frozenset({"computer", "server", "phone"})
"""Devices that hold files and accounts: what a separate network for gadgets is meant to keep apart."""

Place = tuple[int, int]
"""Capture index and VLAN."""
Prefix = tuple[int, int]
"""Length in bits, and the address shifted right by the rest."""


def separation_facts(
    flows: Iterable[Flow],
    network: Network,
    pairs: Pairs,
    roles: Mapping[str, tuple[str, ...]],
    identity: IdentityCollector,
    wishes: Wishes,
    *,
    is_home_network: bool,
) -> list[Fact]:
    """
    One fact for each device whose frames were recorded or announced.

    ``is_home_network`` False: the recorder's own access point is not where the
    device lives, so that its neighbours there say nothing.
    """
    places = _places(flows, network)
    prefixes = {device_id: _prefixes(host, identity) for device_id, host in network.hosts.items()}
    by_segment: dict[tuple[Place, Prefix], list[str]] = {}
    for device_id, found in prefixes.items():
        for place in places.get(device_id, ()):
            for prefix in found:
                by_segment.setdefault((place, prefix), []).append(device_id)
    facts: list[Fact] = []
    for device_id, host in sorted(network.hosts.items()):
        if host.is_router or host.first_ns is None:
            continue
        segments = [(place, prefix) for place in places.get(device_id, ()) for prefix in prefixes[device_id]]
        others = {other for segment in segments for other in by_segment[segment]} - {device_id}
        routers = {other for other in others if network.hosts[other].is_router}
        neighbours = {other for other in others - routers if "recorder" not in roles[other]}
        personal = sorted(other for other in neighbours if PERSONAL_ROLES & set(roles[other]))
        untold = any(set(roles[other]) <= {"unknown"} for other in neighbours)
        known = bool(segments) and is_home_network and (bool(personal) or not untold)
        facts.append(
            SeparationFact(
                device_id=device_id,
                evidence=_evidence(host, [network.hosts[other] for other in personal], pairs),
                first_seen_ns=host.first_ns,
                last_seen_ns=host.last_ns or host.first_ns,
                shares_segment=bool(personal) if known else None,
                shares_gateway=bool(personal) if known and routers else None,
                neighbour_roles=tuple(sorted({role for other in neighbours for role in roles[other]})),
                neighbours=len(neighbours),
                wished=wishes.separation(device_id),
            )
        )
    return facts


def _places(flows: Iterable[Flow], network: Network) -> dict[str, set[Place]]:
    """Where frames with a device's own link address were recorded."""
    places: dict[str, set[Place]] = {}
    for flow in flows:
        place = (flow.first_packet.capture_index, flow.key.vlan_id)
        ends = ((flow.initiator, flow.packets_sent), (flow.responder, flow.packets_received))
        for end, packets in ends:
            host = network.host_of(end.link_address) if packets else None
            if host is not None and host.own_link:
                places.setdefault(host.device_id, set()).add(place)
    return places


def _prefixes(host: Host, identity: IdentityCollector) -> set[Prefix]:
    """The prefixes a device has addresses of; link-local ones are the same everywhere and tell nothing."""
    leases = [lease for link in host.links if (lease := identity.leases.rows.get(link)) is not None]
    mask_length = next((lease.mask_length for lease in leases if lease.mask_length), USUAL_MASK_LENGTH)
    prefixes: set[Prefix] = set()
    for address in host.addresses:
        if kind_of(address) in {AddressKind.LINK_LOCAL, AddressKind.UNSPECIFIED}:
            continue
        length = 96 + mask_length if is_ipv4(address) else 64
        prefixes.add((length, int.from_bytes(address) >> (128 - length)))
    return prefixes


def _evidence(host: Host, others: Iterable[Host], pairs: Pairs) -> tuple[PacketReference, ...]:
    """The first packet of the device and of each that shares its segment."""
    packets = [packet for one in (host, *others) if (packet := first_packet_of(one, pairs)) is not None]
    return tuple(sorted({*packets[:MAX_EVIDENCE]}))
