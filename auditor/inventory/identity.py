"""
What devices say of themselves: leases, host records, services, probes.

Standards: RFC 2131 (DHCP), RFC 6762 sections 8 and 10 (probing, announcing, goodbye), RFC 6763 section 4
           (service instance names), RFC 3376 and RFC 3810 (group membership).
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

from auditor.addresses import UNSPECIFIED, Address, LinkAddress
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.artnet import ArtNetMessage
from auditor.dissect.protocols.dhcp import DhcpMessage
from auditor.dissect.protocols.neighbour import NeighbourMessage
from auditor.dissect.syntax.dns_message import DnsMessage, ResourceRecord
from auditor.dissect.syntax.group_membership import GroupMembership
from auditor.flows.flow import PacketReference
from auditor.inventory.sighting import Table

TYPE_A, TYPE_AAAA, TYPE_ANY = 1, 28, 255  # RFC 1035 3.2.2, RFC 3596 2.1, RFC 1035 3.2.3
MDNS_PORT = 5353  # RFC 6762 section 2
DHCP_DISCOVER, DHCP_REQUEST, DHCP_ACK, DHCP_OFFER = 1, 3, 5, 2  # RFC 2132 9.6

MAX_NAMES_PER_HOST = 32  # names one host may claim: more is not a host but an attempt to fill the table
MAX_HOSTS = 8192  # link addresses remembered: a frame source can be forged freely


class Join(NamedTuple):
    """One sign that a device joined the network."""

    timestamp_ns: int
    packet: PacketReference
    how: str


class Lease:
    """What one client said and was told, by its hardware address."""

    __slots__ = (
        "addresses", "client_identifier", "frame_links", "host_names", "mask_length", "resolvers", "routers",
        "vendor_class",
    )  # fmt: skip

    def __init__(self) -> None:
        self.addresses: dict[Address, int] = {}
        self.client_identifier: bytes | None = None
        self.frame_links: dict[LinkAddress, None] = {}
        self.host_names: dict[str, None] = {}
        self.mask_length: int | None = None
        self.resolvers: dict[Address, None] = {}
        self.routers: dict[Address, None] = {}
        self.vendor_class: str | None = None

    @property
    def identity(self) -> str | None:
        """A name that stays when addresses change: client identifier, else host name (RFC 2131 section 2)."""
        if self.client_identifier:
            return f"dhcp-{self.client_identifier.hex()}"
        return next(iter(self.host_names), None)


class HostRecords:
    """Host names that one frame source claimed by mDNS, with their addresses."""

    __slots__ = ("addresses", "names")

    def __init__(self) -> None:
        self.names: dict[str, None] = {}
        self.addresses: dict[Address, str] = {}


class IdentityCollector:
    """Gathers who is who; one method a kind of message."""

    def __init__(self) -> None:
        self.leases: Table[LinkAddress, Lease] = Table(Lease, MAX_HOSTS)
        self.hosts: Table[LinkAddress, HostRecords] = Table(HostRecords, MAX_HOSTS)
        self.joins: Table[LinkAddress, list[Join]] = Table(list, MAX_HOSTS)
        self.groups: Table[LinkAddress, dict[Address, PacketReference]] = Table(dict, MAX_HOSTS)
        self.nodes: Table[LinkAddress, list[PacketReference]] = Table(list, MAX_HOSTS)
        """Sources of Art-Net poll replies: they call themselves nodes."""
        self.dhcp_servers: dict[LinkAddress, dict[Address, None]] = {}
        self.resolvers: set[tuple[LinkAddress, Address]] = set()
        self.claims: Table[LinkAddress, dict[Address, int]] = Table(dict, MAX_HOSTS)
        """Addresses that a host is about to take or says it has (RFC 4862 5.4.2, RFC 4861 4.4, LLDP)."""
        self.advertised_resolvers: dict[Address, None] = {}
        """Offered to everybody on the link by router advertisements (RFC 8106)."""
        self.advertised_prefixes: dict[tuple[Address, int], None] = {}
        """Prefix and length in bits (RFC 4861 4.6.2)."""

    def on_dhcp(self, envelope: Envelope, message: DhcpMessage) -> None:
        """Note names of the request, and address, resolver and router of the answer."""
        lease = self.leases.at(message.client_link)
        if message.is_reply:
            if message.message_type in {DHCP_OFFER, DHCP_ACK} and len(self.dhcp_servers) < MAX_HOSTS:
                server = self.dhcp_servers.setdefault(envelope.source.link_address, {})
                if len(server) < MAX_NAMES_PER_HOST:
                    server.update(dict.fromkeys(message.routers))
            if message.message_type == DHCP_ACK:
                self._acknowledge(envelope, message, lease)
            return
        if len(lease.frame_links) < MAX_NAMES_PER_HOST:
            lease.frame_links[envelope.source.link_address] = None
        if message.host_name and len(lease.host_names) < MAX_NAMES_PER_HOST:
            lease.host_names[message.host_name] = None
        lease.vendor_class = message.vendor_class or lease.vendor_class
        lease.client_identifier = message.client_identifier or lease.client_identifier
        # A renewal carries its own address in ciaddr (RFC 2131 4.3.2): the device was here already.
        if message.message_type in {DHCP_DISCOVER, DHCP_REQUEST} and message.client_address is None:
            self._join(message.client_link, envelope, "asked for an address by DHCP")

    def _acknowledge(self, envelope: Envelope, message: DhcpMessage, lease: Lease) -> None:
        address = message.your_address or message.client_address
        if address is not None and len(lease.addresses) < MAX_NAMES_PER_HOST:
            lease.addresses.setdefault(address, envelope.timestamp_ns)
        if len(lease.resolvers) < MAX_NAMES_PER_HOST:
            lease.resolvers.update(dict.fromkeys(message.resolvers))
        if len(lease.routers) < MAX_NAMES_PER_HOST:
            lease.routers.update(dict.fromkeys(message.routers))
        if message.subnet_mask_length is not None:
            lease.mask_length = message.subnet_mask_length

    def on_unicast_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Who answers as a resolver."""
        if message.is_response and len(self.resolvers) < MAX_HOSTS:
            source = envelope.source
            self.resolvers.add((source.link_address, source.address))

    def on_multicast_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Host records and probes."""
        link = envelope.source.link_address
        if message.is_response:
            if message.answers or message.additionals:
                self._host_records(self.hosts.at(link), (*message.answers, *message.additionals))
        elif message.authorities and any(q.record_type == TYPE_ANY for q in message.questions):
            self._join(link, envelope, "probed for its own name by mDNS")  # RFC 6762 8.1

    def note_host_records(self, link: LinkAddress, records: tuple[ResourceRecord, ...]) -> None:
        """Host names and addresses that a frame source claims."""
        if records:
            self._host_records(self.hosts.at(link), records)

    @staticmethod
    def _host_records(host: HostRecords, records: tuple[ResourceRecord, ...]) -> None:
        for record in records:
            if (
                record.record_type not in {TYPE_A, TYPE_AAAA}
                or record.address is None
                or not record.time_to_live
            ):
                continue
            if len(host.names) < MAX_NAMES_PER_HOST:
                host.names[record.name] = None
            if len(host.addresses) < MAX_NAMES_PER_HOST:
                host.addresses.setdefault(record.address, record.name)

    def on_neighbour(self, envelope: Envelope, message: NeighbourMessage) -> None:
        """Note the resolvers and prefixes that a router advertises, and the addresses that hosts take."""
        if message.target is not None:
            link = envelope.source.link_address
            if message.kind == "neighbour-solicitation" and envelope.source.address == UNSPECIFIED:
                self.claim(link, message.target, envelope.timestamp_ns)
            elif message.kind == "neighbour-advertisement" and message.target_link in {None, link}:
                # Another link address in the option: a proxy that answers for somebody (RFC 4861 7.2.8).
                self.claim(link, message.target, envelope.timestamp_ns)
        if len(self.advertised_resolvers) < MAX_NAMES_PER_HOST:
            self.advertised_resolvers.update(dict.fromkeys(message.resolvers))
        if len(self.advertised_prefixes) < MAX_NAMES_PER_HOST:
            self.advertised_prefixes.update({(one.prefix, one.length): None for one in message.prefixes})

    def claim(self, link: LinkAddress, address: Address, timestamp_ns: int) -> None:
        """Note an address as a host's own."""
        claims = self.claims.at(link)
        if len(claims) < MAX_NAMES_PER_HOST:
            claims.setdefault(address, timestamp_ns)

    def sole_claims(self) -> dict[LinkAddress, list[Address]]:
        """Addresses that one host alone claims: a proxy answers for others (RFC 4389), and then two do."""
        claimants: dict[Address, set[LinkAddress]] = {}
        for link, addresses in self.claims.items():
            for address in addresses:
                claimants.setdefault(address, set()).add(link)
        sole: dict[LinkAddress, list[Address]] = {}
        for address, links in claimants.items():
            if len(links) == 1:
                sole.setdefault(next(iter(links)), []).append(address)
        return sole

    def on_membership(self, envelope: Envelope, message: GroupMembership) -> None:
        """Note which groups a host asked for."""
        if message.kind == "report":
            groups = self.groups.at(envelope.source.link_address)
            for group in message.groups:
                if len(groups) < MAX_NAMES_PER_HOST:
                    groups.setdefault(group, envelope.packet)

    def on_artnet(self, envelope: Envelope, message: ArtNetMessage) -> None:
        """Note nodes that answered a poll."""
        if message.effect == "announce":
            node = self.nodes.at(envelope.source.link_address)
            if not node:
                node.append(envelope.packet)

    def _join(self, link: LinkAddress, envelope: Envelope, how: str) -> None:
        joins = self.joins.at(link)
        if len(joins) < MAX_NAMES_PER_HOST:
            joins.append(Join(envelope.timestamp_ns, envelope.packet, how))


def is_multicast_dns(envelope: Envelope) -> bool:
    """Whether a DNS message is one of mDNS: by dispatch's word, or by the port both ends share."""
    if envelope.protocol == "mdns":
        return True
    flow = envelope.flow
    return flow.responder.port == MDNS_PORT or flow.initiator.port == MDNS_PORT


def service_name_of(name: str) -> str | None:
    """
    The service name in a name of DNS-SD (RFC 6763 4.1 and 7): ``_http._tcp.local`` gives ``http``.

    None where there is none, and for the meta query of section 9.
    """
    labels = name.lower().split(".")
    for first, second in itertools.pairwise(labels):
        if second in {"_tcp", "_udp"} and first.startswith("_") and first != "_dns-sd" and len(first) <= 17:
            return None if first == "_services" else first[1:]
    return None
