"""
Which resolver a device asks, whether its lease offered that one, and what became of the questions.

Standards: RFC 1035 (DNS), RFC 2132 section 3.8 (resolvers of a lease), RFC 7858 (DNS over TLS, port 853),
           RFC 9250 section 4.1.1 (DNS over QUIC: the token doq).
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.addresses import Address, LinkAddress, format_address
from auditor.dissect.message import Envelope
from auditor.dissect.syntax.dns_message import DnsMessage
from auditor.flows.flow import Endpoint
from auditor.inventory.content import Content, Conversation
from auditor.inventory.facts import Fact, NameLookupFact
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.sighting import Sighting, Table, merged_evidence, period_of, steady

NAME_DOES_NOT_EXIST = 3  # RFC 1035 4.1.1, RFC 8020
DNS_OVER_TLS_PORT = 853
MAX_FAILED_NAMES = 256  # names that do not exist, kept for one resolver


class LookupKey(NamedTuple):
    """A device's address asking a resolver."""

    client_link: LinkAddress
    client: Address
    resolver: Endpoint


class LookupRow(Sighting):
    """Questions and failures."""

    __slots__ = ("failed", "failed_names", "failed_starts")

    def __init__(self) -> None:
        super().__init__()
        self.failed = 0
        self.failed_names: dict[str, list[int]] = {}
        self.failed_starts: list[int] = []


class LookupCollector:
    """One row for each client and resolver."""

    def __init__(self) -> None:
        self.rows: Table[LookupKey, LookupRow] = Table(LookupRow)

    def on_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Count a question, or an answer that says there is no such name."""
        if not message.is_response:
            source = envelope.source
            key = LookupKey(source.link_address, source.address, envelope.destination)
            self.rows.at(key).add(envelope.timestamp_ns, envelope.packet)
            return
        if message.response_code != NAME_DOES_NOT_EXIST or not message.questions:
            return
        client = envelope.destination
        row = self.rows.at(LookupKey(client.link_address, client.address, envelope.source))
        row.failed += 1
        name = message.questions[0].name.lower()
        if len(row.failed_names) < MAX_FAILED_NAMES or name in row.failed_names:
            times = row.failed_names.setdefault(name, [])
            if len(times) < MAX_FAILED_NAMES:
                times.append(envelope.timestamp_ns)

    def facts(
        self,
        network: Network,
        identity: IdentityCollector,
        encrypted: list[tuple[Conversation, Content]],
    ) -> list[Fact]:
        """One fact for each device, resolver and way of asking."""
        joined: dict[tuple[str, Address, bool, str], list[LookupRow | Sighting]] = {}
        for key, row in self.rows.items():
            client = network.party(Endpoint(key.client_link, key.client, 0))
            resolver = network.party(key.resolver)
            if client.is_device:
                group = (client.device_id, key.resolver.address, resolver.kind == OUTSIDE, "none")
                joined.setdefault(group, []).append(row)
        for conversation, content in encrypted:
            client = network.party(Endpoint(conversation.client_link, conversation.client, 0))
            link = content.server_link or LinkAddress(bytes(6))
            resolver = network.party(Endpoint(link, conversation.server, conversation.port))
            if client.is_device:
                group = (
                    client.device_id,
                    conversation.server,
                    resolver.kind == OUTSIDE,
                    _encryption(content),
                )
                joined.setdefault(group, []).append(content.requests)
        offered = _offered(network, identity)
        facts: list[Fact] = []
        for (device_id, address, outside, encryption), rows in sorted(joined.items()):
            seen = Sighting()
            for one in rows:
                seen.absorb(one)
            failing = [row for row in rows if isinstance(row, LookupRow)]
            facts.append(
                NameLookupFact(
                    device_id=device_id,
                    evidence=merged_evidence([seen.evidence]),
                    first_seen_ns=seen.first_ns,
                    last_seen_ns=seen.last_ns,
                    resolver_address=format_address(address),
                    resolver_is_outside=outside,
                    offered=address in offered[device_id] if device_id in offered else None,
                    encryption=encryption,
                    lookups=seen.count,
                    failed_lookups=sum(row.failed for row in failing),
                    repeats_nonexistent=_repeats(failing) if failing else None,
                )
            )
        return [fact for fact in facts if fact.evidence]


def is_encrypted_lookup(conversation: Conversation, content: Content) -> bool:
    """Whether names are asked for inside: the client says so, or it is TLS on the port registered for it."""
    if content.asks_names:
        return True
    return conversation.port == DNS_OVER_TLS_PORT and content.confidentiality == "tls"


def _encryption(content: Content) -> str:
    return "quic" if content.confidentiality == "quic" else "tls"


def _offered(network: Network, identity: IdentityCollector) -> dict[str, set[Address]]:
    """The resolvers that recorded leases offered, by device; without such a lease there is no entry."""
    offered: dict[str, set[Address]] = {}
    for link, lease in identity.leases.items():
        owners = [network.host_of(link), *(network.at_address(address) for address in lease.addresses)]
        for owner in owners:
            if owner is not None and lease.resolvers:
                offered.setdefault(owner.device_id, set()).update(lease.resolvers)
    for resolvers in offered.values():
        resolvers.update(identity.advertised_resolvers)
    return offered


def _repeats(rows: list[LookupRow]) -> bool:
    """
    Whether names that do not exist are asked for at a steady rhythm.

    That is a probe for a resolver that bends answers, not a fault and not a
    list of rendezvous names (scenario S28): faults retry at growing intervals.
    """
    moments = sorted(moment for row in rows for times in row.failed_names.values() for moment in times)
    each = [period_of(times) for row in rows for times in row.failed_names.values()]
    return steady(period_of(moments)) or any(steady(period) for period in each)
