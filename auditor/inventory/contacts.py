"""
Whom each device talks to, inside and outside, and who began.

Standards: RFC 5103 (initiator and responder), RFC 826 (ARP), RFC 5905 (time), RFC 6890 (special addresses).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from itertools import islice

from auditor.addresses import family_of, format_address
from auditor.flows.flow import FlowOutcome, InitiatorKnown, Period
from auditor.inventory.content import SaidName
from auditor.inventory.expected import Wishes
from auditor.inventory.facts import Fact, RemoteContactFact
from auditor.inventory.names import NO_NAME, ContactName, NameCollector, choose_name
from auditor.inventory.network import MAX_ADDRESSES_ASKED, OUTSIDE, Network
from auditor.inventory.order_timing import NONE_SEEN, OrderTimings
from auditor.inventory.services import TRANSPORTS, Oriented
from auditor.inventory.sighting import Sighting, merged_evidence, rhythm_of
from auditor.inventory.timeline import Timeline
from auditor.packets.batch import PROTOCOL_ICMP, PROTOCOL_ICMPV6
from auditor.units import NS_PER_SECOND

MIN_STANDING_SECONDS = 60.0
STANDING_SHARE = 0.5  # of the recording

DNS_OVER_TLS_PORT = 853  # RFC 7858 3.1; TLS by its octets
NAME_PROTOCOLS = frozenset({"dns", "domain"})
TIME_PROTOCOLS = frozenset({"ntp"})
NOTIFYING_TYPES = {
    PROTOCOL_ICMP: frozenset({0, 3, 4, 5, 11, 12}),
    PROTOCOL_ICMPV6: frozenset({1, 2, 3, 4, 129}),
}
"""ICMP types that answer or report on another packet (RFC 792, RFC 4443): no contact of their own."""

RemoteKey = tuple[str, str, str, ContactName, str, str, int]


class ContactRow:
    """Flows of one conversation, added up."""

    __slots__ = (
        "answered", "answered_with_data", "clear", "encrypted", "flows", "known", "longest_ns", "moments",
        "openings", "outcomes", "period", "protocols", "received", "seen", "sent",
    )  # fmt: skip

    def __init__(self) -> None:
        self.seen = Sighting()
        self.flows = self.sent = self.received = 0
        self.outcomes: dict[str, int] = {}
        self.answered = self.answered_with_data = False
        self.clear = False
        self.encrypted: str | None = None
        """The word for what encrypts, of the latest flow where one does."""
        self.protocols: dict[str, int] = {}
        self.period: Period | None = None
        self.longest_ns = 0
        self.known: set[InitiatorKnown] = set()
        self.moments: list[int] = []
        self.openings: list[int] = []

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
        if oriented.answered:
            self.answered = True
            self.answered_with_data |= data > 0
        self.known.add(InitiatorKnown.LIKELY if oriented.is_reversed else flow.initiator_known)
        if not flow.folded:
            self.longest_ns = max(self.longest_ns, flow.end_ns - flow.start_ns)
        self.moments += [flow.start_ns, flow.end_ns]
        if flow.outcome is not FlowOutcome.MID_STREAM:
            self.openings.append(flow.start_ns)
            if flow.folded:  # of several connections the last one ends a little after it began
                self.openings.append(flow.end_ns)
        self.period = self.period or flow.period
        if content is not None:
            protocol = content.application_protocol
            if protocol is not None:
                self.protocols[protocol] = self.protocols.get(protocol, 0) + 1
            confidentiality = content.confidentiality
            self.clear |= confidentiality == "clear"
            if confidentiality not in ("clear", "unknown"):
                self.encrypted = confidentiality
            self.period = self.period or rhythm_of(content.requests)

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
        return self.encrypted or "unknown"

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
    carrying: set[tuple[str, str]],
    timings: OrderTimings,
    chosen: Collection[str],
) -> list[Fact]:
    """
    One fact for each chosen device, direction, name, address and port outside.

    What others contact is told of nobody (``relevance``), and a home has more phones than lights.
    ``purposes`` knows of probes and updates, ``carrying`` of orders that were readable, both by
    device_id and address as text; ``timings`` of orders that only their moments show.
    """
    rows: defaultdict[RemoteKey, ContactRow] = defaultdict(ContactRow)
    for oriented in flows:
        if oriented.client.device_id not in chosen and oriented.server.device_id not in chosen:
            continue
        key = _remote_key(oriented, network, names)
        if key is not None:
            rows[key].add(oriented)
    facts: list[Fact] = []
    for key in sorted(rows, key=str):
        device_id, initiator, family, name, address, transport, port = key
        row = rows[key]
        purpose = purposes.get((device_id, address)) or _purpose(row, port)
        standing = _is_standing(row, timeline, transport)
        stays = row.longest_ns >= MIN_STANDING_SECONDS * NS_PER_SECOND and initiator != "remote"
        timing = timings.orders(device_id, address, port) if stays else NONE_SEEN
        was_read = (device_id, address) in carrying
        facts.append(
            RemoteContactFact(
                device_id=device_id,
                evidence=merged_evidence([row.seen.evidence, timing.packets]),
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
                standing=standing,
                while_idle=timeline.while_idle(row.moments),
                opened_while_idle=timeline.while_idle(row.openings),
                wished=wishes.remote(device_id, purpose),
                # Orders inside TLS cannot be read; that there were none is never known.
                carries_control=True if was_read or timing.are_seen else None,
                orders_were_read=True if was_read else None,
                order_timing=timing.words,
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


def _purpose(row: ContactRow, port: int) -> str:
    protocols = set(row.protocols)
    if protocols & NAME_PROTOCOLS or (port == DNS_OVER_TLS_PORT and protocols == {"tls"}):
        return "name-lookup"
    if protocols & TIME_PROTOCOLS:
        return "time"
    return "other"


def _is_standing(row: ContactRow, timeline: Timeline, transport: str) -> bool | None:
    """Whether one lasted more than half of the recording; None where that is too short to say."""
    if timeline.start_ns is None or timeline.end_ns is None:
        return None
    recorded = (timeline.end_ns - timeline.start_ns) / NS_PER_SECOND
    lasted = row.longest_ns / NS_PER_SECOND
    if transport != "tcp" and transport != "udp":
        return False
    if recorded < 2 * MIN_STANDING_SECONDS:
        return None
    return lasted >= MIN_STANDING_SECONDS and lasted > recorded * STANDING_SHARE and row.answered
