"""
Puts devices together from flows, leases and host records.

Standards: RFC 2131 (leases), RFC 6762 (host records), RFC 4291 appendix A (interface identifiers).

Several addresses behind one link address are one device, unless they go by
different names: then that link address is a repeater's (scenario S04).
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.addresses import (
    HOME_KINDS,
    NO_LINK,
    UNSPECIFIED,
    Address,
    AddressKind,
    LinkAddress,
    format_link,
    interface_identifier_link,
    is_group_link,
    is_ipv4,
    kind_of,
)
from auditor.flows.flow import Flow
from auditor.home.model import Home
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.network import (
    MIN_IDENTITIES_BEHIND_REPEATER,
    Host,
    Network,
    Pairs,
    fallback_identity,
    gather_pairs,
)

MAX_OWN_PREFIXES = 2  # global IPv6 prefixes of one host: the provider's, and the old one after a change


def assemble_network(flows: Iterable[Flow], identity: IdentityCollector, home: Home) -> tuple[Network, Pairs]:
    """Build the devices of this network from everything that was seen."""
    pairs = gather_pairs(flows)
    network = Network()
    network.router_links = _router_links(pairs, identity, home)
    names = _names_by_address(identity)
    claims = identity.sole_claims()
    links = {
        link: None for link in (*pairs.sent, *pairs.targets, *identity.leases.rows) if not is_group_link(link)
    }
    for link in sorted(links):
        addresses = pairs.sent.get(link, {})
        if link == NO_LINK:
            _place_without_link(network, pairs)
        elif link in network.router_links:
            _place_router(network, link, pairs, identity)
        elif _is_repeater(addresses, names):
            _place_behind_repeater(network, link, pairs, names)
        else:
            _place_plain(network, link, pairs, identity, claims.get(link, ()))
    _place_strangers(network, pairs)
    _add_names(network, identity)
    return network, pairs


def _router_links(pairs: Pairs, identity: IdentityCollector, home: Home) -> set[LinkAddress]:
    """Link addresses that lead out: by the home file, what lives behind them, leases and advertisements."""
    routers = {device.link_address for device in home.devices if device.role == "router"}
    routers |= pairs.routers
    for link in {*pairs.sent, *pairs.targets}:
        if link != NO_LINK and not is_group_link(link) and _leads_out(link, pairs):
            routers.add(link)
    by_arp = {address: link for link, addresses in sorted(pairs.arp.items()) for address in sorted(addresses)}
    for server, offered in sorted(identity.dhcp_servers.items()):
        routers |= {by_arp.get(address, server) for address in offered}
    return routers


def _leads_out(link: LinkAddress, pairs: Pairs) -> bool:
    """
    Whether addresses behind a link address speak for an outside.

    Global IPv4 addresses do.  A global IPv6 address does not by itself: a home
    device has one or two prefixes of its own (RFC 8981: several addresses in
    each); more prefixes than that belong to others.
    """
    asked_for = pairs.arp.get(link, ())
    prefixes: set[bytes] = set()
    for address in (*pairs.sent.get(link, ()), *pairs.targets.get(link, ())):
        if kind_of(address) is not AddressKind.GLOBAL:
            continue
        if is_ipv4(address) and address not in asked_for:
            return True
        if not is_ipv4(address) and interface_identifier_link(address) != link:
            prefixes.add(bytes(address[:8]))
    return len(prefixes) > MAX_OWN_PREFIXES


def _names_by_address(identity: IdentityCollector) -> dict[Address, str]:
    """The identity that each address goes by: DHCP identity first, else mDNS host name."""
    names: dict[Address, str] = {}
    for lease in identity.leases.values():
        for address in lease.addresses:
            if lease.identity:
                names.setdefault(address, lease.identity)
    for host in identity.hosts.values():
        for address, name in host.addresses.items():
            names.setdefault(address, name)
    return names


def _is_repeater(addresses: Iterable[Address], names: dict[Address, str]) -> bool:
    known = {names[address] for address in addresses if address in names and is_ipv4(address)}
    return len(known) >= MIN_IDENTITIES_BEHIND_REPEATER


def _span(host: Host, pairs: Pairs, link: LinkAddress, address: Address) -> None:
    seen = pairs.sent.get(link, {}).get(address)
    if seen is not None:
        host.seen(seen[0], seen[1])


def _place_plain(
    network: Network,
    link: LinkAddress,
    pairs: Pairs,
    identity: IdentityCollector,
    claimed: Iterable[Address],
) -> None:
    """Place a host that owns its link address."""
    if link not in pairs.sent and link not in pairs.targets:
        lease = identity.leases.rows[link]
        if any(frame in pairs.sent for frame in lease.frame_links if frame != link):
            return  # a client behind a repeater: its hardware address appears in DHCP alone
    host = network.make(f"link:{format_link(link)}")
    if host is None:
        return
    network.own_link(host, link)
    leased = identity.leases.rows.get(link)
    addresses = [
        *pairs.sent.get(link, ()),
        *pairs.targets.get(link, ()),
        *(leased.addresses if leased else ()),
        *claimed,
    ]
    for address in addresses:
        _span(host, pairs, link, address)
        if kind_of(address) in HOME_KINDS or (kind_of(address) is AddressKind.GLOBAL):
            network.own_pair(host, link, address)


def _place_router(network: Network, link: LinkAddress, pairs: Pairs, identity: IdentityCollector) -> None:
    """Place a router: only what it calls its own by ARP, DHCP or link-local scope is its own address."""
    host = network.make(f"link:{format_link(link)}")
    if host is None:
        return
    host.is_router = True
    network.own_link(host, link)
    own = {*identity.dhcp_servers.get(link, {}), *pairs.arp.get(link, ())}
    seen = [*pairs.sent.get(link, ()), *pairs.targets.get(link, ())]
    inside = [address for address in seen if kind_of(address) in HOME_KINDS]
    resolving = {address for source, address in identity.resolvers if source == link}
    ends = {address for address in inside if address[15] in {1, 254}}  # usual for a router, common practice
    for address in dict.fromkeys((*seen, *sorted(own))):
        if (
            kind_of(address) is AddressKind.LINK_LOCAL
            or address in own
            or (address in inside and not own and (len(set(inside)) == 1 or address in resolving & ends))
        ):
            network.own_pair(host, link, address)
    for address in seen:
        if address in host.addresses or kind_of(address) is AddressKind.UNSPECIFIED:
            _span(host, pairs, link, address)


def _place_behind_repeater(
    network: Network, link: LinkAddress, pairs: Pairs, names: dict[Address, str]
) -> None:
    """Place each address under its own name; what has no name stays with the repeater."""
    for address in sorted(pairs.sent.get(link, {})):
        if address == UNSPECIFIED or kind_of(address) not in HOME_KINDS | {AddressKind.GLOBAL}:
            continue
        name = names.get(address)
        if name is None and not is_ipv4(address):
            host = network.make(f"link:{format_link(link)}")
            if host is not None:
                network.own_link(host, link)
        else:
            host = network.make(f"name:{name}" if name else fallback_identity(link, address))
            if host is not None:
                host.own_link = False
                host.behind_repeater = True
                host.links[link] = None
        if host is not None:
            network.own_pair(host, link, address)
            _span(host, pairs, link, address)


def _place_without_link(network: Network, pairs: Pairs) -> None:
    """Place home addresses of recordings whose link type carries no link address."""
    for address in sorted(pairs.sent.get(NO_LINK, {})):
        if kind_of(address) in HOME_KINDS:
            host = network.make(fallback_identity(NO_LINK, address))
            if host is not None:
                host.own_link = False
                network.own_pair(host, NO_LINK, address)
                _span(host, pairs, NO_LINK, address)


def _place_strangers(network: Network, pairs: Pairs) -> None:
    """Place home addresses seen behind a router alone: hosts of another segment."""
    for link in sorted(network.router_links):
        for address in sorted({*pairs.sent.get(link, ()), *pairs.targets.get(link, ())}):
            kind = kind_of(address)
            if (
                kind not in HOME_KINDS
                or kind is AddressKind.LINK_LOCAL
                or network.at_address(address) is not None
            ):
                continue
            host = network.make(fallback_identity(NO_LINK, address))
            if host is not None:
                host.own_link = False
                network.own_pair(host, link, address)
                _span(host, pairs, link, address)


def _add_names(network: Network, identity: IdentityCollector) -> None:
    """Give devices the names they said of themselves."""
    for link, lease in identity.leases.items():
        host = network.host_of(link)
        if host is None or host.behind_repeater:
            host = next((h for a in lease.addresses if (h := network.at_address(a)) is not None), host)
        if host is not None:
            host.names.update(lease.host_names)
            host.vendor_class = lease.vendor_class or host.vendor_class
    for link, records in identity.hosts.items():
        own = network.host_of(link)
        for address, name in records.addresses.items():
            host = network.at_address(address)
            if host is None and own is not None and not own.is_router and kind_of(address) in HOME_KINDS:
                host = own
                network.own_pair(own, link, address)
            # A relayed record names the device that has the address, not the relay (scenario S37).
            if host is not None and len(host.names) < len(host.links) * 32 + 32:
                host.names[name] = None
