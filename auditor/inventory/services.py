"""
What listens on a device: answered, refused, silent or announced, and from where it was reached.

Standards: RFC 9293 section 3.5 (a SYN-ACK is an answer), RFC 1122 3.2.2.1 (port unreachable), RFC 6763.

A recording shows what was tried; that nothing else listens it cannot show.
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.addresses import family_of
from auditor.flows.flow import Endpoint, Flow, FlowOutcome, InitiatorKnown
from auditor.inventory.announcements import AnnouncementCollector
from auditor.inventory.content import Content, ContentCollector, conversation_of, reversed_conversation_of
from auditor.inventory.facts import Fact, ServiceFact
from auditor.inventory.network import Network, Party
from auditor.inventory.sighting import Sighting
from auditor.packets.batch import (
    ETHERTYPE_ARP,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
    PROTOCOL_IGMP,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
)

TRANSPORTS = {
    PROTOCOL_ICMP: "icmp",
    PROTOCOL_IGMP: "igmp",
    PROTOCOL_TCP: "tcp",
    PROTOCOL_UDP: "udp",
    PROTOCOL_ICMPV6: "icmpv6",
}
MIN_EPHEMERAL_PORT = 32_768  # common practice; RFC 6335 section 6 says 49152, many systems begin lower
DISCOVERY_PORTS = frozenset(
    {5353, 1900, 3702}
)  # mDNS, SSDP, web service discovery: answered to the searcher's port

ServiceKey = tuple[str, str, str, int]
"""device_id, family, transport, port."""


class Oriented:
    """A flow read from client to server, with who stands where and what was read in it."""

    __slots__ = ("client", "client_end", "content", "flow", "is_reversed", "server", "server_end")

    def __init__(self, flow: Flow, network: Network, contents: ContentCollector) -> None:
        rows = contents.rows.rows
        content = rows.get(conversation_of(flow.key))
        self.is_reversed = False
        if content is None and flow.initiator_known is not InitiatorKnown.PROVEN:
            # Who speaks as a client decides where the opening was not recorded (scenario S03).
            content = rows.get(reversed_conversation_of(flow.key))
            self.is_reversed = content is not None
        self.flow = flow
        self.content = content
        self.client_end: Endpoint = flow.responder if self.is_reversed else flow.initiator
        self.server_end: Endpoint = flow.initiator if self.is_reversed else flow.responder
        self.client: Party = network.party(self.client_end)
        self.server: Party = network.party(self.server_end)

    @property
    def answered(self) -> bool:
        """Whether packets went both ways and nobody refused."""
        flow = self.flow
        both = flow.packets_sent > 0 and flow.packets_received > 0
        return both and flow.outcome in {FlowOutcome.ESTABLISHED, FlowOutcome.MID_STREAM}

    @property
    def is_discovery_reply(self) -> bool:
        """A datagram to the port from which somebody searched a group is an answer, not a contact."""
        flow = self.flow
        return (
            flow.key.protocol == PROTOCOL_UDP
            and flow.initiator.port in DISCOVERY_PORTS
            and flow.responder.port >= MIN_EPHEMERAL_PORT
            and not flow.packets_received
        )


def orient_flows(flows: Iterable[Flow], network: Network, contents: ContentCollector) -> list[Oriented]:
    """All IP flows of the transports that are reported, from client to server."""
    return [
        Oriented(flow, network, contents)
        for flow in flows
        if flow.key.ethertype != ETHERTYPE_ARP and flow.key.protocol in TRANSPORTS
    ]


class ServiceRow:
    """Everything seen of one port."""

    __slots__ = (
        "announced_as",
        "answered",
        "content",
        "reached",
        "refused",
        "seen",
        "silent",
        "used",
        "users",
    )

    def __init__(self) -> None:
        self.seen = Sighting()
        self.answered = False
        self.refused = False
        self.silent = False
        self.announced_as: str | None = None
        self.content: Content | None = None
        self.reached: set[str] = set()
        self.used = False
        self.users: set[str] = set()


ServiceRows = dict[ServiceKey, ServiceRow]


def gather_services(
    flows: Iterable[Oriented], announcements: AnnouncementCollector, network: Network
) -> ServiceRows:
    """Rows of all services of devices of this network."""
    rows: ServiceRows = {}
    for oriented in flows:
        if not oriented.server.is_device or not oriented.client_end.port >= 0 or oriented.is_discovery_reply:
            continue
        _note_flow(rows, oriented)
    named = network.hosts_by_name()
    for key, row in announcements.rows.items():
        party = network.party(Endpoint(key.source, key.address, 0))
        if not party.is_device or row.port is None or key.service_name is None or not row.count:
            continue
        owners = [named[name].device_id for name in row.hosts if name in named]
        transport = "udp" if "._udp" in key.instance else "tcp"
        place = (owners[0] if owners else party.device_id, family_of(key.address), transport, row.port)
        service = rows.setdefault(place, ServiceRow())
        service.announced_as = service.announced_as or key.service_name
        if not service.seen.count:
            service.seen.absorb(row)
    return rows


def _note_flow(rows: ServiceRows, oriented: Oriented) -> None:
    flow = oriented.flow
    protocol = flow.key.protocol
    if protocol not in {PROTOCOL_TCP, PROTOCOL_UDP}:
        return
    answered = oriented.answered
    if protocol == PROTOCOL_UDP:
        # A datagram without an answer does not say that anybody listens or not.
        if not answered and flow.outcome is not FlowOutcome.REFUSED:
            return
        if flow.initiator_known is InitiatorKnown.UNKNOWN and oriented.content is None:
            return
    if (
        oriented.server_end.port >= MIN_EPHEMERAL_PORT
        and oriented.content is None
        and (flow.initiator_known is not InitiatorKnown.PROVEN)
    ):
        return
    family = family_of(oriented.server_end.address)
    key = (oriented.server.device_id, family, TRANSPORTS[protocol], oriented.server_end.port)
    row = rows.get(key)
    if row is None:
        row = rows[key] = ServiceRow()
    row.seen.add(flow.start_ns, flow.first_packet, flow.connections)
    row.answered |= answered
    row.refused |= flow.outcome is FlowOutcome.REFUSED
    row.silent |= flow.outcome is FlowOutcome.UNANSWERED
    if answered:
        row.content = oriented.content or row.content
        row.reached.add(oriented.client.segment)
        if oriented.client.device_id:
            row.users.add(oriented.client.device_id)
        else:
            row.used = True


def service_facts(rows: ServiceRows, recorder_id: str | None, unicast_visible: dict[str, bool]) -> list[Fact]:
    """One fact for each service; requests of the recording person's own host are no use of it."""
    facts: list[Fact] = []
    for (device_id, family, transport, port), row in sorted(rows.items()):
        if row.answered:
            state = "answered"
        elif row.refused:
            state = "refused"
        else:
            state = "silent" if row.silent else "announced"
        used = row.used or bool(row.users - {recorder_id})
        content = row.content
        facts.append(
            ServiceFact(
                device_id=device_id,
                evidence=row.seen.evidence,
                first_seen_ns=row.seen.first_ns,
                last_seen_ns=row.seen.last_ns,
                family=family,
                transport=transport,
                port=port,
                application_protocol=content.application_protocol if content else None,
                announced_as=row.announced_as,
                state=state,
                confidentiality=content.confidentiality if content else "unknown",
                reached_from=tuple(sorted(row.reached)),
                used=True if used else (False if unicast_visible.get(device_id) else None),
            )
        )
    return facts
