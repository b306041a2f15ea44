"""
Whom each device talks to inside the home, and whether it went looking.

Standards: RFC 5103 (initiator and responder), RFC 826 (ARP), RFC 4861 (neighbours), RFC 6762 (discovery).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import islice

from auditor.addresses import family_of, format_address, is_ipv4
from auditor.flows.flow import Flow
from auditor.inventory.contacts import NAME_PROTOCOLS, NOTIFYING_TYPES, TIME_PROTOCOLS, ContactRow
from auditor.inventory.expected import SHOW_PROTOCOLS, Wishes
from auditor.inventory.facts import Fact, LocalContactFact
from auditor.inventory.network import BROADCAST, GROUP, MAX_ADDRESSES_ASKED, OUTSIDE, Network
from auditor.inventory.services import TRANSPORTS, Oriented
from auditor.packets.batch import ETHERTYPE_ARP

# Different addresses: discovery knocks at a few doors, a search at a street of them.
MIN_SEARCHED_ADDRESSES = 16
DISCOVERY_PROTOCOLS = frozenset({"mdns", "ssdp", "igmp", "mld", "llmnr", "netbios-ns", "ws-discovery"})
CONFIGURATION_PROTOCOLS = frozenset({"dhcp", "bootps", "bootpc", "dhcpv6", "neighbour"})
NEIGHBOUR_TYPES = frozenset({133, 134, 135, 136})  # RFC 4861
LocalKey = tuple[str, str, str, str, int]


def local_contacts(
    flows: Iterable[Oriented],
    network: Network,
    roles: Mapping[str, tuple[str, ...]],
    wishes: Wishes,
    controlled: set[tuple[str, str, int]],
) -> list[Fact]:
    """One fact for each device, peer, family, transport and port inside the home."""
    rows: defaultdict[LocalKey, ContactRow] = defaultdict(ContactRow)
    tried: dict[str, defaultdict[str, ContactRow]] = {}
    for oriented in flows:
        client, server, flow = oriented.client, oriented.server, oriented.flow
        if not client.is_device or server.kind == OUTSIDE or oriented.is_discovery_reply:
            continue
        if flow.initiator.port in NOTIFYING_TYPES.get(flow.key.protocol, ()):
            continue
        family = family_of(oriented.server_end.address)
        if server.kind == GROUP:
            peer = f"group:{format_address(oriented.server_end.address)}"
        elif server.kind == BROADCAST:
            peer = "broadcast"
        elif server.is_device:
            peer = server.device_id
        else:
            continue
        if peer == client.device_id:
            continue
        icmp = flow.key.protocol in NOTIFYING_TYPES
        port = 0 if icmp else oriented.server_end.port
        row = rows[client.device_id, peer, family, TRANSPORTS[flow.key.protocol], port]
        row.add(oriented)
        if icmp and flow.initiator.port in NEIGHBOUR_TYPES:
            row.protocols["neighbour"] = row.protocols.get("neighbour", 0) + 1
        if server.is_device and not oriented.answered:
            tries = tried.setdefault(client.device_id, defaultdict(ContactRow))
            tries[format_address(oriented.server_end.address)].add(oriented)
    facts: list[Fact] = []
    searching = {
        device_id: tries for device_id, tries in tried.items() if len(tries) >= MIN_SEARCHED_ADDRESSES
    }
    silent = {(device_id, address) for device_id, tries in searching.items() for address in tries}
    for key in sorted(rows):
        device_id, peer, family, transport, port = key
        row = rows[key]
        if silent and not row.answered and any((device_id, a) in silent for a in _addresses(network, peer)):
            continue  # stands in the one fact about the search
        purpose = _local_purpose(row, peer, transport, controlled, key)
        protocol = None if row.protocol == "neighbour" else row.protocol
        facts.append(
            _local_fact(device_id, peer, family, transport, port, protocol, purpose, row, roles, wishes, None)
        )
    for device_id, tries in sorted(searching.items()):
        facts.append(_search_fact(device_id, "tcp", tries, roles, wishes))
    return facts


def _addresses(network: Network, peer: str) -> list[str]:
    host = network.hosts.get(peer)
    return [format_address(a) for a in islice(host.addresses, MAX_ADDRESSES_ASKED)] if host else []


def _local_purpose(
    row: ContactRow, peer: str, transport: str, controlled: set[tuple[str, str, int]], key: LocalKey
) -> str:
    protocols = set(row.protocols)
    if protocols & NAME_PROTOCOLS:
        return "name-lookup"
    if protocols & TIME_PROTOCOLS:
        return "time"
    if protocols & CONFIGURATION_PROTOCOLS or "neighbour" in protocols:
        return "address-configuration"
    if protocols & DISCOVERY_PROTOCOLS or transport == "igmp":
        return "discovery"
    if protocols & SHOW_PROTOCOLS or (key[0], peer, key[4]) in controlled:
        return "control"
    return "other"


def _local_fact(
    device_id: str,
    peer: str,
    family: str,
    transport: str,
    port: int,
    protocol: str | None,
    purpose: str,
    row: ContactRow,
    roles: Mapping[str, tuple[str, ...]],
    wishes: Wishes,
    searched: int | None,
) -> LocalContactFact:
    return LocalContactFact(
        device_id=device_id,
        evidence=row.seen.evidence,
        first_seen_ns=row.seen.first_ns,
        last_seen_ns=row.seen.last_ns,
        peer_id=peer,
        peer_role=roles.get(peer, ()),
        family=family,
        transport=transport,
        port=port,
        application_protocol=protocol,
        purpose=purpose,
        flows=row.flows,
        period=row.period,
        initiator_known=row.initiator_known,
        outcomes=dict(sorted(row.outcomes.items())),
        answered=row.answered,
        searched_addresses=searched,
        wished=wishes.local(device_id, peer, purpose, protocol),
    )


def _search_fact(
    device_id: str,
    transport: str,
    tries: Mapping[str, ContactRow],
    roles: Mapping[str, tuple[str, ...]],
    wishes: Wishes,
) -> LocalContactFact:
    whole = ContactRow()
    for row in tries.values():
        whole.seen.absorb(row.seen)
        whole.flows += row.flows
        whole.known |= row.known
        for outcome, count in row.outcomes.items():
            whole.outcomes[outcome] = whole.outcomes.get(outcome, 0) + count
    return _local_fact(
        device_id, BROADCAST, "ipv4", transport, 0, None, "search", whole, roles, wishes, len(tries)
    )


def arp_contacts(
    flows: Iterable[Flow], network: Network, roles: Mapping[str, tuple[str, ...]], wishes: Wishes
) -> list[Fact]:
    """
    One fact for each device that asked by ARP; a search where it asked for a street of addresses.

    The router asks for whoever is called from outside; its own questions stay its own (scenario S31).
    """
    rows: dict[str, tuple[ContactRow, set[bytes]]] = {}
    for flow in flows:
        if flow.key.ethertype != ETHERTYPE_ARP or flow.initiator.port != 1:
            continue
        host = network.host_of(flow.initiator.link_address)
        party = network.party(flow.initiator)
        device_id = party.device_id or (host.device_id if host else "")
        if not device_id:
            continue
        row, asked = rows.setdefault(device_id, (ContactRow(), set()))
        row.seen.add(flow.start_ns, flow.first_packet, flow.connections)
        row.seen.last_ns = max(row.seen.last_ns, flow.end_ns)
        row.flows += flow.connections
        row.known.add(flow.initiator_known)
        row.outcomes[flow.outcome.value] = row.outcomes.get(flow.outcome.value, 0) + flow.connections
        if flow.responder.address != flow.initiator.address and is_ipv4(flow.responder.address):
            asked.add(flow.responder.address)
    facts: list[Fact] = []
    for device_id, (row, asked) in sorted(rows.items()):
        searched = len(asked) >= MIN_SEARCHED_ADDRESSES
        purpose = "search" if searched else "address-configuration"
        count = len(asked) if searched else None
        facts.append(
            _local_fact(device_id, BROADCAST, "ipv4", "arp", 0, None, purpose, row, roles, wishes, count)
        )
    return facts
