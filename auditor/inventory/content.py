"""
What the octets of each conversation said it was: protocol, confidentiality, names, rhythm of requests.

A conversation is all that one client says to one port of one server; ports of
the client are left out, so that messages find the flow rows that were folded.
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.http import HttpRequest
from auditor.dissect.protocols.quic import QuicInitial
from auditor.dissect.protocols.tls import ClientHello
from auditor.flows.flow import FlowKey
from auditor.inventory.sighting import Sighting, Table

MAX_NAMES_PER_CONVERSATION = 16  # a proxy has many; more names say nothing further about a light
MAX_REMEMBERED_KEYS = 8192  # flow keys remembered by identity, about 3 MB; forgotten all at once when full
MAX_CONNECTIONS_REMEMBERED = 4096  # connections of one conversation whose own name is kept

NAME_LOOKUP_TOKENS = frozenset({"dot", "doq"})
"""TLS application protocols of name lookups on any port (IANA; RFC 7858, RFC 9250 section 4.1.1)."""

ENCRYPTED_PROTOCOLS = {"tls": "tls", "dtls": "dtls", "quic": "quic", "ssh": "unknown"}
"""Protocols of which a greeting or a hello is read and nothing inside, and the word for their
confidentiality; the report has none for SSH."""


class Conversation(NamedTuple):
    """Who talks to whom; the key under which messages and flows meet."""

    client_link: LinkAddress
    client: Address
    server: Address
    port: int
    protocol: int


class SaidName(NamedTuple):
    """A name that the client itself put into the conversation."""

    name: str
    source: str
    """``tls-sni``, ``quic-sni`` or ``http-host``."""
    is_outer: bool


class Content:
    """What was read in one conversation."""

    __slots__ = ("asks_names", "names_by_port", "protocols", "requests", "server_link")

    def __init__(self) -> None:
        self.protocols: dict[str, int] = {}
        self.requests = Sighting()
        self.names_by_port: dict[int, SaidName] = {}
        """By the client's port; -1: the latest."""
        self.server_link: LinkAddress | None = None
        self.asks_names = False

    @property
    def application_protocol(self) -> str | None:
        """The protocol most messages were of; one that encrypts only where nothing else could be read."""
        clear = {name: count for name, count in self.protocols.items() if name not in ENCRYPTED_PROTOCOLS}
        names = clear or self.protocols
        return min(names, key=lambda name: (-names[name], name)) if names else None

    @property
    def confidentiality(self) -> str:
        """``clear`` if anything was readable, else ``tls``, ``dtls``, ``quic`` if seen, else ``unknown``."""
        if any(name not in ENCRYPTED_PROTOCOLS for name in self.protocols):
            return "clear"
        words = {ENCRYPTED_PROTOCOLS[name] for name in self.protocols}
        return next((word for word in ("tls", "dtls", "quic") if word in words), "unknown")

    def said_name(self, client_port: int) -> SaidName | None:
        """The name said in the connection from that port, else the only one ever said here."""
        return self.names_by_port.get(client_port) or self.names_by_port.get(-1)


def conversation_of(key: FlowKey) -> Conversation:
    """The conversation that a flow key, oriented from client to server, belongs to."""
    return Conversation(
        key.initiator.link_address,
        key.initiator.address,
        key.responder.address,
        key.responder.port,
        key.protocol,
    )


def reversed_conversation_of(key: FlowKey) -> Conversation:
    """The same with client and server exchanged, for flows whose beginning was not recorded."""
    return Conversation(
        key.responder.link_address,
        key.responder.address,
        key.initiator.address,
        key.initiator.port,
        key.protocol,
    )


class ContentCollector:
    """One row a conversation."""

    def __init__(self) -> None:
        self.rows: Table[Conversation, Content] = Table(Content)
        # Dispatch hands the same key object with every message of a flow; hashing two endpoints
        # anew for each message would cost more than all else here.
        self._by_identity: dict[int, tuple[FlowKey, Content]] = {}

    def row_of(self, key: FlowKey) -> Content:
        """The row of a flow key."""
        known = self._by_identity.get(id(key))
        if known is not None and known[0] is key:
            return known[1]
        row = self.rows.at(conversation_of(key))
        row.server_link = row.server_link or key.responder.link_address
        if len(self._by_identity) >= MAX_REMEMBERED_KEYS:
            self._by_identity.clear()
        self._by_identity[id(key)] = (key, row)
        return row

    def on_message(self, envelope: Envelope) -> None:
        """Count one message of any protocol; this runs for every message and is written to do little."""
        protocol, key, from_initiator, packet, timestamp_ns, _, _ = envelope
        known = self._by_identity.get(id(key))
        row = known[1] if known is not None and known[0] is key else self.row_of(key)
        protocols = row.protocols
        protocols[protocol] = protocols.get(protocol, 0) + 1
        if from_initiator:
            row.requests.add(timestamp_ns, packet)

    def on_client_hello(self, envelope: Envelope, message: ClientHello) -> None:
        """Keep the visible server name (RFC 6066 section 3), and whether names are asked for inside."""
        if not NAME_LOOKUP_TOKENS.isdisjoint(message.application_protocols):
            self.row_of(envelope.flow).asks_names = True
        if message.server_name:
            said = SaidName(message.server_name, "tls-sni", message.has_encrypted_client_hello)
            self._keep(envelope, said)

    def on_quic_initial(self, envelope: Envelope, message: QuicInitial) -> None:
        """As of a client hello, of an opening whose direction is known."""
        if not message.from_client:
            return
        if not NAME_LOOKUP_TOKENS.isdisjoint(message.application_protocols):
            self.row_of(envelope.flow).asks_names = True
        if message.server_name and envelope.from_initiator:
            said = SaidName(message.server_name, "quic-sni", message.has_encrypted_client_hello)
            self._keep(envelope, said)

    def on_request(self, envelope: Envelope, message: HttpRequest) -> None:
        """Keep the Host field (RFC 9110 7.2), unless it is an address: that is no name."""
        if message.host and not _is_literal(message.host):
            self._keep(envelope, SaidName(message.host, "http-host", is_outer=False))

    def _keep(self, envelope: Envelope, said: SaidName) -> None:
        names = self.row_of(envelope.flow).names_by_port
        if len(names) < MAX_CONNECTIONS_REMEMBERED:
            names[envelope.flow.initiator.port] = said
        names[-1] = said


def _is_literal(host: str) -> bool:
    return host.startswith("[") or ":" in host or host.replace(".", "").isdigit()
