"""
QUIC: the opening of a connection, versions 1 and 2; every other version by its number alone.

Standards: RFC 8999 (what all versions share), RFC 9000 section 17 (headers), 19 (frames), RFC 9001, RFC 9369.
Reads:     UDP payload, on any port, from a connection's first datagrams on.
Keeps:     names, protocols and suites of the hello messages; no random, key share or connection identifier
           past the opening.

A later datagram has a short header, by which nobody can tell QUIC from noise:
it counts only behind an opening that was recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.quic_frames import HelloOctets, parse_initial_frames, variable_integer
from auditor.dissect.syntax.quic_protection import (
    TAG_OCTETS,
    VERSION_1,
    VERSION_2,
    CryptographyMissingError,
    Keys,
    Opened,
    initial_keys,
    open_initial,
)
from auditor.dissect.syntax.tls_handshake import parse_client_hello, parse_server_hello
from auditor.errors import DecodeError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

LONG_HEADER, FIXED_BIT = 0x80, 0x40  # RFC 9000 17.2
NEGOTIATION = 0  # RFC 8999 section 6

Kind = Literal["initial", "0-rtt", "handshake", "retry", "1-rtt", "version-negotiation", "unknown-version"]

# RFC 9000 table 5, RFC 9369 section 3.2: the two bits of the type, by version.
_KINDS: dict[int, tuple[Kind, Kind, Kind, Kind]] = {
    VERSION_1: ("initial", "0-rtt", "handshake", "retry"),
    VERSION_2: ("retry", "initial", "0-rtt", "handshake"),
}

MAX_CONNECTION_ID = 20  # RFC 9000 17.2, for versions 1 and 2
MAX_COALESCED = 8  # packets of one datagram; senders put at most four levels of encryption into one
MAX_VERSIONS = 64  # of a Version Negotiation packet kept
MAX_DATAGRAMS = 48
"""Of one conversation read at most: an opening takes three to ten, some more where it is sent again."""
MAX_INITIALS = 32
"""Initial packets of one conversation that decrypting is tried on."""

CLIENT_HELLO, SERVER_HELLO = 1, 2  # RFC 8446 section 4

NotDecrypted = Literal["no-library", "no-key"]


@value_class
class QuicInitial(Message):
    """
    What one side's Initial packets say (RFC 9001 section 4.1.3).

    Handed on when its hello message is whole, and once before where the first
    datagram holds only a part of it.
    """

    version: int
    server_name: str | None
    """Lower case; the outer one where ``has_encrypted_client_hello``; None also where not ``is_complete``."""
    application_protocols: tuple[str, ...]
    has_encrypted_client_hello: bool
    """As in TLS: the extension is present, which alone does not say that the name is hidden."""
    from_client: bool
    is_complete: bool
    """The hello message is whole.  The server chooses its protocol where nobody can read it."""
    cipher_suite: int | None = None
    """That the server chose; None in what the client sends."""
    close_error: int | None = None
    """Of a CONNECTION_CLOSE in the clear part (RFC 9000 19.19, section 20): the connection was given up."""


@value_class
class QuicPacket(Message):
    """The first packet of a kind that one side sends; its content is encrypted, or was not read."""

    kind: Kind
    version: int | None
    """None: a short header has none."""
    versions: tuple[int, ...] = ()
    """Of ``version-negotiation``: those the server offers."""
    not_decrypted: NotDecrypted | None = None
    """Of ``initial``: the library for it is not installed, or the connection's first datagram is not there
    (the packet may also be damaged)."""


@dataclass(slots=True)
class _Side:
    """What one sender has said."""

    hello: HelloOctets = field(default_factory=HelloOctets)
    said: QuicInitial | None = None
    is_broken: bool = False
    """Its hello cannot be read, which was said."""

    @property
    def is_done(self) -> bool:
        return self.is_broken or (self.said is not None and self.said.is_complete)


@dataclass(slots=True)
class _Connection:
    """What is remembered between the datagrams of a conversation."""

    connection_id: bytes | None = None
    """Destination of the client's first authentic Initial packet."""
    client_is_initiator: bool = True
    keys: dict[tuple[int, bool], Keys] = field(default_factory=dict)
    """By version and whether they are the client's."""
    client: _Side = field(default_factory=_Side)
    server: _Side = field(default_factory=_Side)
    kinds: dict[bool, set[str]] = field(default_factory=lambda: {True: set(), False: set()})
    """Handed on, by whether the initiator sent them."""
    datagrams: int = 0
    initials: int = 0


@dataclass(slots=True)
class _Datagram:
    """The datagram at hand."""

    cursor: Cursor
    length: int
    from_initiator: bool
    connection: _Connection

    def once(self, kind: Kind, version: int | None, not_decrypted: NotDecrypted | None = None) -> Message:
        """The first packet of a kind; further ones say nothing."""
        known = self.connection.kinds[self.from_initiator]
        if kind in known:
            return PassedOver(length=self.length)
        known.add(kind)
        return QuicPacket(length=self.length, kind=kind, version=version, not_decrypted=not_decrypted)


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins so opens a connection of a version that we know of."""
    if len(head) < 7 or not head[0] & LONG_HEADER:
        return False
    version = int.from_bytes(head[1:5], "big")
    if version == NEGOTIATION:
        return _looks_like_negotiation(head)
    if not head[0] & FIXED_BIT or not _is_known(version) or head[5] > MAX_CONNECTION_ID:
        return False
    source_at = 6 + head[5]
    return source_at >= len(head) or head[source_at] <= MAX_CONNECTION_ID


def _looks_like_negotiation(head: bytes) -> bool:
    source_at = 6 + head[5]
    if head[5] > MAX_CONNECTION_ID or source_at >= len(head) or head[source_at] > MAX_CONNECTION_ID:
        return False
    start = source_at + 1 + head[source_at]
    offered = (head[at : at + 4] for at in range(start, len(head) - 3, 4))
    return any(_is_known(int.from_bytes(version, "big")) for version in offered)


def _is_known(version: int) -> bool:
    """Versions 1 and 2, drafts of version 1 (from memory), and those that only force a choice."""
    return (
        version in _KINDS
        or 0xFF00_0001 <= version <= 0xFF00_0022
        or version & 0x0F0F_0F0F == 0x0A0A_0A0A  # RFC 9000 section 15
    )


def parse_datagram(cursor: Cursor) -> Message:
    """Parse a datagram as if it were the first of its conversation; raises ``DecodeError``."""
    return parse_flow_datagram(cursor, True, Conversation())


def parse_flow_datagram(cursor: Cursor, from_initiator: bool, conversation: Conversation) -> Message:
    """Parse one datagram of a conversation; see ``FlowDatagramParser``."""
    if not isinstance(conversation.memory, _Connection):
        conversation.memory = _Connection()
    connection = conversation.memory
    connection.datagrams += 1
    conversation.finished = connection.datagrams >= MAX_DATAGRAMS
    datagram = _Datagram(cursor, cursor.remaining, from_initiator, connection)
    found = _parse_packet(datagram, is_first=True)
    for _ in range(MAX_COALESCED - 1):
        if not cursor.remaining:
            break
        message = _parse_packet(datagram, is_first=False)
        # What a hello says outweighs that there was a packet.
        if isinstance(found, PassedOver) or (
            isinstance(message, QuicInitial) and not isinstance(found, QuicInitial)
        ):
            found = message
    conversation.finished |= connection.client.is_done and connection.server.is_done
    return found


def _parse_packet(datagram: _Datagram, *, is_first: bool) -> Message:
    """The next packet of a datagram."""
    cursor, connection = datagram.cursor, datagram.connection
    start = cursor.offset
    first = cursor.uint(1, "first_octet")
    if not first & LONG_HEADER:
        if is_first and connection.datagrams == 1:
            raise MalformedError("header_form", start, "a short header without an opening")
        cursor.take(cursor.remaining, "packet")
        # Without the bit it is padding behind the last packet, or agreed to mean nothing (RFC 9287 3).
        return datagram.once("1-rtt", None) if first & FIXED_BIT else PassedOver(length=datagram.length)
    version = cursor.uint(4, "version")
    kinds = _KINDS.get(version)
    longest = MAX_CONNECTION_ID if kinds is not None else 255  # RFC 8999 5.1
    destination = _connection_id(cursor, longest, "destination_connection_id")
    _connection_id(cursor, longest, "source_connection_id")
    if version == NEGOTIATION:
        return _negotiation(datagram)
    if kinds is None:
        cursor.take(cursor.remaining, "packet")
        return datagram.once("unknown-version", version)
    if not first & FIXED_BIT:
        raise MalformedError("fixed_bit", start, "0")
    kind = kinds[first >> 4 & 3]
    if kind == "retry":
        cursor.block(TAG_OCTETS, "retry_integrity_tag")
        cursor.take(cursor.remaining, "retry_token")
        return datagram.once(kind, version)
    if kind == "initial":
        cursor.block(variable_integer(cursor, "token_length"), "token")
    length = variable_integer(cursor, "length")
    number_at = cursor.offset
    cursor.block(length, "packet")
    if kind != "initial":
        return datagram.once(kind, version)
    end, cursor.offset = cursor.offset, start
    packet = cursor.take(end - start, "packet")
    return _initial(datagram, packet, start, number_at - start, version, destination)


def _connection_id(cursor: Cursor, longest: int, name: str) -> bytes:
    at = cursor.offset
    length = cursor.uint(1, f"{name}_length")
    if length > longest:
        raise MalformedError(f"{name}_length", at, f"{length}")
    return cursor.take(length, name)


def _negotiation(datagram: _Datagram) -> Message:
    """A server that knows none of the client's versions (RFC 8999 section 6)."""
    cursor = datagram.cursor
    at, size = cursor.offset, cursor.remaining
    octets = cursor.take(size, "supported_versions")
    if not size or size % 4:
        raise MalformedError("supported_versions", at, f"{size} octets")
    versions = (int.from_bytes(octets[i : i + 4], "big") for i in range(0, min(size, 4 * MAX_VERSIONS), 4))
    return QuicPacket(
        length=datagram.length, kind="version-negotiation", version=NEGOTIATION, versions=tuple(versions)
    )


def _initial(
    datagram: _Datagram, packet: bytes, start: int, number_at: int, version: int, destination: bytes
) -> Message:
    """What an Initial packet says; ``start``: where it begins in the datagram."""
    connection = datagram.connection
    connection.initials += 1
    if connection.initials > MAX_INITIALS:
        return PassedOver(length=datagram.length)
    try:
        opened, from_client = _open(datagram, packet, number_at, version, destination)
    except CryptographyMissingError:
        return datagram.once("initial", version, "no-library")
    if opened is None:
        return datagram.once("initial", version, "no-key")
    side = connection.client if from_client else connection.server
    place = start + len(packet) - TAG_OCTETS - len(opened.payload)
    frames = parse_initial_frames(opened.payload, place)
    if side.is_done and frames.close_error is None:
        return PassedOver(length=datagram.length)
    said = side.said or QuicInitial(
        length=datagram.length,
        version=version,
        server_name=None,
        application_protocols=(),
        has_encrypted_client_hello=False,
        from_client=from_client,
        is_complete=False,
    )
    if not side.is_done:
        try:
            for offset, octets in frames.pieces:
                side.hello.add(offset, octets, place)
            said = _with_hello(said, side.hello)
        except DecodeError as error:
            side.is_broken, side.hello = True, HelloOctets()
            raise MalformedError(f"hello {error.field}", place, error.problem) from None
        if said.is_complete:
            side.hello = HelloOctets()
    said = replace(said, length=datagram.length, version=version, close_error=frames.close_error)
    if side.said is not None and said == replace(side.said, length=said.length, version=version):
        return PassedOver(length=datagram.length)
    side.said = said
    return said


def _open(
    datagram: _Datagram, packet: bytes, number_at: int, version: int, destination: bytes
) -> tuple[Opened | None, bool]:
    """Take the protection off; also: whether the client sent it."""
    connection = datagram.connection
    by_client = connection.client_is_initiator == datagram.from_initiator
    if connection.connection_id is not None:
        which = (version, by_client)
        if which not in connection.keys:
            connection.keys[which] = initial_keys(version, connection.connection_id, of_client=by_client)
        opened = open_initial(packet, number_at, connection.keys[which])
        if opened is not None or not by_client:
            return opened, by_client
    # A new connection, or one that begins anew after a Retry (RFC 9001 5.2).
    keys = initial_keys(version, destination, of_client=True)
    opened = open_initial(packet, number_at, keys)
    if opened is not None:
        connection.connection_id = destination
        connection.client_is_initiator = datagram.from_initiator
        connection.keys = {(version, True): keys}
        connection.client, connection.server = _Side(), _Side()
    return opened, True


def _with_hello(said: QuicInitial, octets: HelloOctets) -> QuicInitial:
    """Add what the hello message says, where it is whole; raises ``DecodeError``."""
    found = octets.message()
    if found is None:
        return said
    kind, body = found
    if kind != (CLIENT_HELLO if said.from_client else SERVER_HELLO):
        raise MalformedError("handshake_type", 0, f"{kind}")
    if not said.from_client:
        return replace(said, is_complete=True, cipher_suite=parse_server_hello(Cursor(body)).cipher_suite)
    hello = parse_client_hello(Cursor(body))
    return replace(
        said,
        is_complete=True,
        server_name=hello.server_name,
        application_protocols=hello.application_protocols,
        has_encrypted_client_hello=hello.has_encrypted_client_hello,
    )


DISSECTOR = Dissector(
    name="quic",
    transport="udp",
    # No port: openings are told by their octets, and what follows them on port 443 is not worth a look.
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_datagram,
    parse_flow_datagram=parse_flow_datagram,
)
