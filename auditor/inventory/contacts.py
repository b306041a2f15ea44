"""
Whom each device talks to, inside and outside, and who began.

Standards: RFC 5103 (initiator and responder), RFC 826 (ARP), RFC 5905 (time), RFC 6890 (special addresses).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import islice

from auditor.addresses import family_of, format_address, is_ipv4
from auditor.flows.flow import Flow, InitiatorKnown, Period
from auditor.inventory.content import SaidName
from auditor.inventory.expected import SHOW_PROTOCOLS, Wishes
from auditor.inventory.facts import Fact, LocalContactFact, RemoteContactFact
from auditor.inventory.names import NO_NAME, ContactName, NameCollector, choose_name
from auditor.inventory.network import BROADCAST, GROUP, MAX_ADDRESSES_ASKED, OUTSIDE, Network
from auditor.inventory.services import TRANSPORTS, Oriented
from auditor.inventory.sighting import Sighting
from auditor.inventory.timeline import Timeline
from auditor.packets.batch import ETHERTYPE_ARP, PROTOCOL_ICMP, PROTOCOL_ICMPV6
from auditor.units import NS_PER_SECOND

MIN_SEARCHED_ADDRESSES = (
    16  # different addresses: discovery knocks at a few doors, a search at a street of them
)
MIN_STANDING_SECONDS = 60.0
STANDING_SHARE = 0.5  # of the recording

NAME_PROTOCOLS = frozenset({"dns", "domain"})
TIME_PROTOCOLS = frozenset({"ntp"})
DISCOVERY_PROTOCOLS = frozenset({"mdns", "ssdp", "igmp", "mld", "llmnr"})
CONFIGURATION_PROTOCOLS = frozenset({"dhcp", "bootps", "bootpc", "dhcpv6"})
NOTIFYING_TYPES = {
    PROTOCOL_ICMP: frozenset({0, 3, 4, 5, 11, 12}),
    PROTOCOL_ICMPV6: frozenset({1, 2, 3, 4, 129}),
}
"""ICMP types that answer or report on another packet (RFC 792, RFC 4443): no contact of their own."""
NEIGHBOUR_TYPES = frozenset({133, 134, 135, 136})  # RFC 4861

RemoteKey = tuple[str, str, str, ContactName, str, str, int]
LocalKey = tuple[str, str, str, str, int]


class ContactRow:
    """Flows of one conversation, added up."""

    __slots__ = (
        "answered", "answered_with_data", "clear", "encrypted", "flows", "known", "longest_ns", "moments", "outcomes",
        "period", "protocols", "received", "seen", "sent",
    )  # fmt: skip

    def __init__(self) -> None:
        self.seen = Sighting()
        self.flows = self.sent = self.received = 0
        self.outcomes: dict[str, int] = {}
        self.answered = self.answered_with_data = False
        self.clear = self.encrypted = False
        self.protocols: dict[str, int] = {}
        self.period: Period | None = None
        self.longest_ns = 0
        self.known: set[InitiatorKnown] = set()
        self.moments: list[int] = []

    def add(self, oriented: Oriented) -> None:
        """Add one flow row."""
        flow, content = oriented.flow, oriented.content
        self.seen.add(flow.start_ns, flow.first_packet, flow.connections)
        self.seen.last_ns = max(self.seen.last_ns, flow.end_ns)
        self.flows += flow.connections
        self.outcomes[flow.outcome.value] = self.outcomes.get(flow.outcome.value, 0) + flow.connections
        sent, received, data = flow.octets_sent, flow.octets_received, flow.payload_received
        if oriented.is_reversed:
            sent, received, data = received, sent, flow.payload_sent
        self.sent += sent
        self.received += received
        self.answered |= oriented.answered
        self.answered_with_data |= oriented.answered and data > 0
        self.known.add(InitiatorKnown.LIKELY if oriented.is_reversed else flow.initiator_known)
        if not flow.folded:
            self.longest_ns = max(self.longest_ns, flow.end_ns - flow.start_ns)
        self.moments += [flow.start_ns, flow.end_ns]
        self.period = self.period or flow.period
        if content is not None:
            protocol = content.application_protocol
            if protocol is not None:
                self.protocols[protocol] = self.protocols.get(protocol, 0) + 1
            self.clear |= content.confidentiality == "clear"
            self.encrypted |= content.confidentiality == "tls"
            self.period = self.period or content.requests.period

    @property
    def protocol(self) -> str | None:
        """The protocol of most flows."""
        names = self.protocols
        return min(names, key=lambda name: (-names[name], name)) if names else None

    @property
    def confidentiality(self) -> str:
        """``clear`` as soon as anything was readable."""
        if self.clear:
            return "clear"
        return "tls" if self.encrypted else "unknown"

    @property
    def initiator_known(self) -> str:
        """The best knowledge any of the flows gives."""
        for known in (InitiatorKnown.PROVEN, InitiatorKnown.LIKELY):
            if known in self.known:
                return known.value
        return InitiatorKnown.UNKNOWN.value


def remote_contacts(
    flows: Iterable[Oriented],
    network: Network,
    names: NameCollector,
    timeline: Timeline,
    wishes: Wishes,
    purposes: Mapping[tuple[str, str], str],
) -> list[Fact]:
    """
    One fact for each device, direction, name, address and port outside.

    ``purposes`` knows of probes and updates, by device_id and address as text.
    """
    rows: dict[RemoteKey, ContactRow] = {}
    for oriented in flows:
        key = _remote_key(oriented, network, names)
        if key is not None:
            rows.setdefault(key, ContactRow()).add(oriented)
    facts: list[Fact] = []
    for key in sorted(rows, key=str):
        device_id, initiator, family, name, address, transport, port = key
        row = rows[key]
        purpose = purposes.get((device_id, address)) or _purpose(row)
        facts.append(
            RemoteContactFact(
                device_id=device_id,
                evidence=row.seen.evidence,
                first_seen_ns=row.seen.first_ns,
                last_seen_ns=row.seen.last_ns,
                initiator=initiator,
                name=name.name,
                name_source=name.source,
                name_is_outer=name.is_outer,
                family=family,
                address=address,
                port=port,
                transport=transport,
                application_protocol=row.protocol,
                confidentiality=row.confidentiality,
                purpose=purpose,
                sent_octets=row.received if initiator == "remote" else row.sent,
                received_octets=row.sent if initiator == "remote" else row.received,
                flows=row.flows,
                period=row.period,
                outcomes=dict(sorted(row.outcomes.items())),
                answered=row.answered,
                answered_with_data=row.answered_with_data,
                standing=_is_standing(row, timeline, transport),
                while_idle=timeline.while_idle(row.moments),
                wished=wishes.remote(device_id, purpose),
            )
        )
    return facts


def _remote_key(oriented: Oriented, network: Network, names: NameCollector) -> RemoteKey | None:
    flow, client, server = oriented.flow, oriented.client, oriented.server
    if flow.initiator.port in NOTIFYING_TYPES.get(flow.key.protocol, ()):
        return None
    transport = TRANSPORTS[flow.key.protocol]
    if client.is_device and server.kind == OUTSIDE:
        end = oriented.server_end
        known = flow.initiator_known is not InitiatorKnown.UNKNOWN or oriented.content is not None
        said = oriented.content.said_name(oriented.client_end.port) if oriented.content else None
        name = _name(oriented, network, names, said)
        initiator = "device" if known else "unknown"
        return (
            client.device_id,
            initiator,
            family_of(end.address),
            name,
            format_address(end.address),
            transport,
            end.port,
        )
    if client.kind == OUTSIDE and server.is_device:
        # Only a proven opening makes a caller: else it may be the answer to something older (scenario S30).
        end = oriented.client_end
        proven = flow.initiator_known is InitiatorKnown.PROVEN and not oriented.is_reversed
        port = oriented.server_end.port if proven else end.port
        initiator = "remote" if proven else "unknown"
        address = format_address(end.address)
        return server.device_id, initiator, family_of(end.address), NO_NAME, address, transport, port
    return None


def _name(oriented: Oriented, network: Network, names: NameCollector, said: SaidName | None) -> ContactName:
    host = network.hosts[oriented.client.device_id]
    own = (oriented.client_end.link_address, oriented.client_end.address)
    clients = [
        own,
        *((own[0], address) for address in islice(host.addresses, MAX_ADDRESSES_ASKED) if address != own[1]),
    ]
    answered = names.answered(clients, oriented.server_end.address, oriented.flow.start_ns)
    return choose_name(answered, said)


def _purpose(row: ContactRow) -> str:
    protocols = set(row.protocols)
    if protocols & NAME_PROTOCOLS:
        return "name-lookup"
    if protocols & TIME_PROTOCOLS:
        return "time"
    return "other"


def _is_standing(row: ContactRow, timeline: Timeline, transport: str) -> bool | None:
    """A connection that lasted more than half of the recording; None where the recording is too short to say."""
    if timeline.start_ns is None or timeline.end_ns is None:
        return None
    recorded = (timeline.end_ns - timeline.start_ns) / NS_PER_SECOND
    lasted = row.longest_ns / NS_PER_SECOND
    if transport != "tcp" and transport != "udp":
        return False
    if recorded < 2 * MIN_STANDING_SECONDS:
        return None
    return lasted >= MIN_STANDING_SECONDS and lasted > recorded * STANDING_SHARE and row.answered


def local_contacts(
    flows: Iterable[Oriented],
    network: Network,
    roles: Mapping[str, tuple[str, ...]],
    wishes: Wishes,
    controlled: set[tuple[str, str, int]],
) -> list[Fact]:
    """One fact for each device, peer, family, transport and port inside the home."""
    rows: dict[LocalKey, ContactRow] = {}
    tried: dict[str, dict[str, ContactRow]] = {}
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
        row = rows.setdefault(
            (client.device_id, peer, family, TRANSPORTS[flow.key.protocol], port), ContactRow()
        )
        row.add(oriented)
        if icmp and flow.initiator.port in NEIGHBOUR_TYPES:
            row.protocols["neighbour"] = row.protocols.get("neighbour", 0) + 1
        if server.is_device and not oriented.answered:
            tries = tried.setdefault(client.device_id, {})
            tries.setdefault(format_address(oriented.server_end.address), ContactRow()).add(oriented)
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
    One fact for each device that asked by ARP: ordinary, or a search where it asked for a street of addresses.

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
