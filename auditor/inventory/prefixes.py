"""
Which prefixes the networks of a recording have, and what that is known from.

Standards: RFC 2132 section 3.3 (subnet mask of a lease), RFC 4861 section 4.6.2 (prefixes that a router
           advertises), RFC 1122 section 3.3.1.1 with RFC 826 (a host asks by ARP for what it takes to be on
           its link).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Mapping, Sequence

from auditor.addresses import HOME_KINDS, Address, AddressKind, is_ipv4, kind_of
from auditor.flows.flow import Flow
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.model import IpNetwork, KnownPrefix, PrefixSource
from auditor.inventory.network import Host, Network
from auditor.packets.batch import ETHERTYPE_ARP

USUAL_LENGTH = 24  # of a home's IPv4 network (common practice), where nothing says otherwise
SENSIBLE_LENGTHS = range(
    8, 31
)  # shorter is no home, longer no network: a mask beyond is a mistake of its server
MAX_PREFIXES = 64
"""Of one recording; a home has a handful.  Forged leases and advertisements could make more."""


def known_prefixes(
    flows: Sequence[Flow], network: Network, identity: IdentityCollector
) -> tuple[KnownPrefix, ...]:
    """Prefixes of both families; every IPv4 address that a host of the home bears lies in one of them."""
    found: dict[IpNetwork, PrefixSource] = {}

    def add(one: IpNetwork, source: PrefixSource) -> None:
        if len(found) < MAX_PREFIXES:
            found.setdefault(one, source)

    for lease in identity.leases.rows.values():
        if lease.mask_length in SENSIBLE_LENGTHS:
            for address in filter(is_ipv4, lease.addresses):
                add(_network(address, lease.mask_length or USUAL_LENGTH), "lease")
    bearers = {
        address: host
        for host in network.hosts.values()
        for address in host.addresses
        if is_ipv4(address) and kind_of(address) in HOME_KINDS - {AddressKind.LINK_LOCAL}
    }
    for wide in _asked_for_by_arp(flows, network, bearers, found):
        add(wide, "observed")
    for address in bearers:
        if covering(found, address) is None:
            add(_network(address, USUAL_LENGTH), "assumed")
    for prefix, length in identity.advertised_prefixes:
        if not is_ipv4(prefix) and length <= 128:
            add(ipaddress.IPv6Network((bytes(prefix), length), strict=False), "advertised")
    doubled = _vlans(flows, network, found)
    return tuple(
        KnownPrefix(network=one, source=source, vlans=doubled.get(one, ()))
        for one, source in sorted(found.items(), key=lambda item: (item[0].version, *_order(item[0])))
    )


def covering(networks: Iterable[IpNetwork], address: Address) -> IpNetwork | None:
    """The longest of these prefixes that an address lies in."""
    typed = ipaddress.ip_address(bytes(address[12:]) if is_ipv4(address) else bytes(address))
    holding = (one for one in networks if one.version == typed.version and typed in one)
    return max(holding, key=lambda one: one.prefixlen, default=None)


def _order(one: IpNetwork) -> tuple[int, int]:
    return int(one.network_address), one.prefixlen


def _network(address: Address, length: int) -> ipaddress.IPv4Network:
    return ipaddress.IPv4Network((bytes(address[12:]), length), strict=False)


def _asked_for_by_arp(
    flows: Iterable[Flow], network: Network, bearers: Mapping[Address, Host], told: Iterable[IpNetwork]
) -> Iterable[ipaddress.IPv4Network]:
    """What holds an asking host and whom it asks for by ARP: nobody asks for an address beyond a router."""
    told = tuple(told)
    areas = {covering(told, address) or _network(address, USUAL_LENGTH) for address in bearers}
    if len(areas) < 2:
        return  # the usual case: nothing to learn from looking at every flow
    for flow in flows:
        ends = (flow.initiator, flow.responder)
        if flow.key.ethertype != ETHERTYPE_ARP or not all(end.address in bearers for end in ends):
            continue
        asking = network.host_of(flow.initiator.link_address)
        if asking is None or asking.is_router or not asking.own_link:
            continue  # a router is in several networks, and asks in each
        first, second = (int.from_bytes(end.address[12:]) for end in ends)
        length = 32 - (first ^ second).bit_length()
        together = _network(ends[0].address, length) if length in SENSIBLE_LENGTHS else None
        if together is not None and length < USUAL_LENGTH and not any(_holds(one, together) for one in told):
            yield together


def _holds(wide: IpNetwork, narrow: ipaddress.IPv4Network) -> bool:
    return isinstance(wide, ipaddress.IPv4Network) and narrow.subnet_of(wide)


def _vlans(
    flows: Iterable[Flow], network: Network, prefixes: Iterable[IpNetwork]
) -> dict[IpNetwork, tuple[int, ...]]:
    """
    Prefixes that different hosts bear in different VLANs (IEEE 802.1Q): two networks with one prefix.

    A host that shows in several VLANs is a copy of a mirror port or a router, and proves nothing.
    """
    if len({flow.key.vlan_id for flow in flows}) < 2:
        return {}
    seen: dict[str, set[int]] = {}
    for flow in flows:
        for end, packets in ((flow.initiator, flow.packets_sent), (flow.responder, flow.packets_received)):
            host = network.host_of(end.link_address) if packets else None
            if host is not None and host.own_link and not host.is_router:
                seen.setdefault(host.device_id, set()).add(flow.key.vlan_id)
    found: dict[IpNetwork, set[int]] = {}
    for device_id, vlans in seen.items():
        if len(vlans) > 1:
            continue
        for address in network.hosts[device_id].addresses:
            one = covering(prefixes, address)
            if one is not None:
                found.setdefault(one, set()).update(vlans)
    return {one: tuple(sorted(vlans)) for one, vlans in found.items() if len(vlans) > 1}
