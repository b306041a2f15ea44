"""
What hosts of one link say of themselves beside mDNS: LLMNR, NetBIOS names, DHCPv6, LLDP, WS-Discovery.

Standards: RFC 4795 section 2 (LLMNR), RFC 1002 section 4.2 (NetBIOS names), RFC 8415 sections 18 and 21
           (addresses of DHCPv6), RFC 4704 (its host name), IEEE 802.1AB-2016 section 8.5 (system name,
           management address), WS-Discovery 1.1 sections 4 and 5 (hello, bye, matches).
"""

from __future__ import annotations

from auditor.addresses import LinkAddress
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.dhcpv6 import Dhcpv6Message
from auditor.dissect.protocols.lldp import LldpAnnouncement
from auditor.dissect.protocols.llmnr import LinkNameMessage
from auditor.dissect.protocols.nbns import NetbiosNameMessage
from auditor.dissect.protocols.wsdiscovery import DiscoveryMessage
from auditor.inventory.announcements import AnnouncementCollector, AnnouncementKey
from auditor.inventory.identity import MAX_NAMES_PER_HOST, IdentityCollector

WORKSTATION = 0x00  # sixteenth octet of a NetBIOS name: the host itself (common practice)
MAX_CLIENTS = 4096  # identifiers of clients remembered: a home has tens, a flood forges them
SAYS = frozenset({"hello", "probe-matches", "resolve-matches", "bye"})


class LinkNameCollector:
    """Gives names to hosts and rows to the announcements."""

    def __init__(self, identity: IdentityCollector, announcements: AnnouncementCollector) -> None:
        self._identity = identity
        self._announcements = announcements
        self._clients: dict[bytes, LinkAddress] = {}
        """Who sent a DUID that holds no link address (RFC 8415 11.3, 11.5)."""

    def on_llmnr(self, envelope: Envelope, message: LinkNameMessage) -> None:
        """An answer names the sender, unless it is not sure of the name (RFC 4795 2.1.1, bits C and T)."""
        if message.is_response and not (message.is_conflict or message.is_tentative or message.response_code):
            self._identity.note_host_records(envelope.source.link_address, message.answers)

    def on_netbios(self, envelope: Envelope, message: NetbiosNameMessage) -> None:
        """A registration names the sender (RFC 1002 4.2.2); group names belong to nobody."""
        if message.is_group or message.response_code:
            return
        registers = message.kind in {"registration", "refresh"} and not message.is_response
        answers = message.kind == "query" and message.is_response
        if not (registers or answers):
            return
        names = [name.name for name in (*message.names, *message.status_names) if name.kind == WORKSTATION]
        host = self._identity.hosts.at(envelope.source.link_address)
        for name in names:
            for address in message.addresses:
                if len(host.names) < MAX_NAMES_PER_HOST and len(host.addresses) < MAX_NAMES_PER_HOST:
                    host.names[name] = None
                    host.addresses.setdefault(address, name)

    def on_dhcpv6(self, envelope: Envelope, message: Dhcpv6Message) -> None:
        """A client names itself, a server tells what it gave; a relay's link address is not the client's."""
        if message.is_from_server:
            self._given(envelope, message)
            return
        link = message.client_link or (None if message.relays else envelope.source.link_address)
        if link is None:
            return
        if message.client_identifier and len(self._clients) < MAX_CLIENTS:
            self._clients[message.client_identifier] = link
        if message.host_name:
            lease = self._identity.leases.at(link)
            if len(lease.host_names) < MAX_NAMES_PER_HOST:
                lease.host_names[message.host_name] = None
            lease.vendor_class = lease.vendor_class or next(iter(message.vendor_classes), None)

    def _given(self, envelope: Envelope, message: Dhcpv6Message) -> None:
        """Only a reply that tells of success binds an address (RFC 8415 18.2.10.1)."""
        link = message.client_link or self._clients.get(message.client_identifier or b"")
        if link is None:
            return
        lease = self._identity.leases.at(link)
        if len(lease.resolvers) < MAX_NAMES_PER_HOST:
            lease.resolvers.update(dict.fromkeys(message.resolvers))
        if message.kind == "reply" and not message.status_code:
            for address in message.addresses:
                if len(lease.addresses) < MAX_NAMES_PER_HOST:
                    lease.addresses.setdefault(address, envelope.timestamp_ns)

    def on_lldp(self, envelope: Envelope, message: LldpAnnouncement) -> None:
        """The sender's own name and addresses; of a box that announces another's chassis, its own port's."""
        link = envelope.source.link_address
        name = message.system_name
        host = self._identity.hosts.at(link)
        for address in message.management_addresses:
            self._identity.claim(link, address, envelope.timestamp_ns)
            if name and len(host.addresses) < MAX_NAMES_PER_HOST:
                host.addresses.setdefault(address, name)
        if name and len(host.names) < MAX_NAMES_PER_HOST:
            host.names[name] = None

    def on_discovery(self, envelope: Envelope, message: DiscoveryMessage) -> None:
        """What is announced or found; a probe is a search."""
        link, address = envelope.source.link_address, envelope.source.address
        if message.kind not in SAYS:
            self._announcements.searches.at(link).add(envelope.timestamp_ns, envelope.packet)
            return
        for target in message.targets:
            kind = next(iter(target.types), None)
            key = AnnouncementKey(link, address, "ws-discovery", kind, target.endpoint or "")
            row = self._announcements.rows.at(key)
            row.add(envelope.timestamp_ns, envelope.packet)
            if message.kind == "bye":
                row.withdrawn_ns = max(row.withdrawn_ns or 0, envelope.timestamp_ns)
