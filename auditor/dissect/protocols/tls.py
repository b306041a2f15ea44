"""
TLS handshakes: ClientHello, ServerHello, Certificate up to version 1.2, alerts in the clear.

Standards: RFC 8446, RFC 5246, RFC 6066 section 3 (server_name), RFC 7301 (ALPN), RFC 9849 (ECH),
           RFC 8701 (GREASE).
Reads:     one direction of a TCP stream, on any port, messages split over records and segments.
Keeps:     names, versions, suites, facts of the certificate; no random, key share or session identifier.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from struct import Struct

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.tls_handshake import parse_client_hello, parse_server_hello
from auditor.dissect.syntax.x509 import parse_certificate
from auditor.errors import DecodeError, LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# IANA service names: https 443, domain-s 853, secure-mqtt 8883, https-alt 8443 (common practice)
PORTS = frozenset({443, 853, 8443, 8883})

# RFC 8446 5.1 ContentType
CHANGE_CIPHER_SPEC, ALERT, HANDSHAKE, APPLICATION_DATA = 20, 21, 22, 23
# RFC 8446 section 4 and RFC 5246 7.4 HandshakeType
CLIENT_HELLO, SERVER_HELLO, CERTIFICATE = 1, 2, 11
HANDSHAKE_TYPES = frozenset({0, 1, 2, 4, 5, 8, 11, 12, 13, 14, 15, 16, 20, 21, 22, 24})

RECORD_HEADER_OCTETS, HANDSHAKE_HEADER_OCTETS = 5, 4
_RECORD_HEADER = Struct(">BHH")
# RFC 5246 6.2.3: 2**14 octets of content and 2048 of expansion.
MAX_RECORD_OCTETS = (1 << 14) + 2048
# RFC 5246 allows 2**24 - 1; chains of real servers stay below 20 000 octets (common practice).
MAX_HANDSHAKE_OCTETS = 49_152
MAX_CHAIN = 16  # certificates of one message; only the first is parsed


@value_class
class ClientHello(Message):
    """RFC 8446 4.1.2."""

    server_name: str | None
    """Lower case; the outer name where ``has_encrypted_client_hello``."""
    application_protocols: tuple[str, ...]
    versions: tuple[int, ...]
    """Offered, highest first, GREASE left out: 0x0304 is TLS 1.3."""
    cipher_suites: tuple[int, ...]
    has_encrypted_client_hello: bool
    """The extension is present; that alone does not say that the name is hidden (GREASE)."""


@value_class
class ServerHello(Message):
    """RFC 8446 4.1.3; a HelloRetryRequest is one too."""

    version: int
    """Selected: of supported_versions where present, else server_version."""
    cipher_suite: int
    application_protocol: str | None
    is_retry_request: bool


@value_class
class Certificate(Message):
    """The server's (or client's) leaf certificate, TLS 1.2 and below (RFC 5246 7.4.2)."""

    from_client: bool
    subject: str | None
    """Common name."""
    issuer: str | None
    self_issued: bool
    """Issuer equals subject octet by octet."""
    not_before_ns: int | None
    not_after_ns: int | None
    names: tuple[str, ...]
    """dNSName entries of subjectAltName."""
    chain_length: int


@value_class
class Alert(Message):
    """An alert before encryption began (RFC 8446 section 6)."""

    level: int
    description: int


@value_class
class EncryptedData(Message):
    """
    The first application data record of a direction.

    Proof that the octets are TLS records though no hello was seen.
    """

    record_version: int


@dataclass(slots=True)
class _Direction:
    """Where the reading of one direction stands."""

    left: int = 0
    """Octets of the current handshake record that are not read yet; 0 before a record header."""
    changed_cipher: bool = False


@dataclass(slots=True)
class _Session:
    """What is remembered between the messages of a conversation."""

    client: _Direction = field(default_factory=_Direction)
    server: _Direction = field(default_factory=_Direction)
    retry_requested: bool = False


def looks_like(head: bytes) -> bool:
    """Whether a stream that begins so is worth parsing: a record header, and what can stand in it."""
    if len(head) < RECORD_HEADER_OCTETS + 1 or head[1] != 3 or head[2] > 4:
        return False
    length = head[3] << 8 | head[4]
    if not 0 < length <= MAX_RECORD_OCTETS:
        return False
    if head[0] == HANDSHAKE:
        # A message header inside; the message may be longer than the record.
        return length >= HANDSHAKE_HEADER_OCTETS and head[5] in HANDSHAKE_TYPES and head[6:7] in (b"", b"\0")
    if head[0] == ALERT:
        return length == 2 and head[5] in (1, 2)
    # An empty record with its authentication tag of 16 octets is the shortest (RFC 8446 5.2).
    return head[0] == APPLICATION_DATA and length > 16


def client_speaks(head: bytes) -> bool | None:
    """Whether a client begins so; records of data may come from either side."""
    if head[:1] != bytes([HANDSHAKE]) or len(head) <= RECORD_HEADER_OCTETS:
        return None
    return {CLIENT_HELLO: True, SERVER_HELLO: False, CERTIFICATE: False}.get(head[RECORD_HEADER_OCTETS])


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """Parse the next handshake message or record of one direction; see ``StreamParser``."""
    if not isinstance(conversation.memory, _Session):
        conversation.memory = _Session()
    session = conversation.memory
    direction = session.client if from_client else session.server
    if conversation.is_resumed:
        direction.left = 0
    start = cursor.offset
    if direction.left:
        return _handshake(cursor, from_client, conversation, direction, start, direction.left)
    kind, version, length = _record_header(cursor)
    if kind == HANDSHAKE:
        # After a change of cipher only the second hello that follows a
        # HelloRetryRequest is readable (RFC 8446 D.4).
        if direction.changed_cipher and not session.retry_requested:
            return _finish(conversation, from_client, PassedOver(length=RECORD_HEADER_OCTETS + length))
        return _handshake(cursor, from_client, conversation, direction, start, length)
    whole = RECORD_HEADER_OCTETS + length
    if kind == ALERT and length == 2 and not direction.changed_cipher:
        level, description = cursor.uint(1, "alert_level"), cursor.uint(1, "alert_description")
        return Alert(length=whole, level=level, description=description)
    if kind == CHANGE_CIPHER_SPEC:
        direction.changed_cipher = True
        return PassedOver(length=whole)
    if kind == APPLICATION_DATA:
        return _finish(conversation, from_client, EncryptedData(length=whole, record_version=version))
    return _finish(conversation, from_client, PassedOver(length=whole))


def _record_header(cursor: Cursor) -> tuple[int, int, int]:
    """Content type, version and length of a record (RFC 8446 5.1)."""
    start = cursor.offset
    fixed = cursor.unpack(_RECORD_HEADER)  # None: field by field, to tell which is cut off
    kind = cursor.uint(1, "record_type") if fixed is None else fixed[0]
    if not CHANGE_CIPHER_SPEC <= kind <= APPLICATION_DATA:
        raise MalformedError("record_type", start, f"{kind}")
    version = cursor.uint(2, "record_version") if fixed is None else fixed[1]
    if version >> 8 != 3:
        raise MalformedError("record_version", start + 1, f"0x{version:04x}")
    length = cursor.uint(2, "record_length") if fixed is None else fixed[2]
    if length > MAX_RECORD_OCTETS or (length == 0 and kind != APPLICATION_DATA):
        raise MalformedError("record_length", start + 3, f"{length}")
    return kind, version, length


def _finish(conversation: Conversation, from_client: bool, message: Message) -> Message:
    """Mark that what follows in this direction is encrypted."""
    if from_client:
        conversation.client_finished = True
    else:
        conversation.server_finished = True
    conversation.finished = conversation.client_finished and conversation.server_finished
    return message


def _handshake(
    cursor: Cursor,
    from_client: bool,
    conversation: Conversation,
    direction: _Direction,
    start: int,
    left: int,
) -> Message:
    """
    Parse one handshake message, which may begin and end anywhere in records (RFC 8446 5.1).

    ``start``: where it begins, header of its first record included; ``left``:
    what the record at the cursor still holds.
    """
    head, left = _gather(cursor, left, HANDSHAKE_HEADER_OCTETS)
    kind, size = head[0], int.from_bytes(head[1:], "big")
    if kind not in HANDSHAKE_TYPES:
        raise MalformedError("handshake_type", start, f"{kind}")
    if size > MAX_HANDSHAKE_OCTETS:
        raise LimitError("handshake_length", start, f"{size} > {MAX_HANDSHAKE_OCTETS}")
    body, left = _gather(cursor, left, size)
    length = cursor.offset - start
    direction.left = left
    reader = _READERS.get(kind)
    if reader is None:
        return PassedOver(length=length)
    message = reader(Cursor(body), length, from_client)
    if isinstance(message, ServerHello) and message.is_retry_request:
        conversation.memory.retry_requested = True
    return message


def _gather(cursor: Cursor, left: int, size: int) -> tuple[bytes, int]:
    """Collect octets of handshake messages across record headers; also: what is left of the last record."""
    if size <= left:  # nearly all: no record ends inside
        return cursor.take(size, "handshake"), left - size
    parts: list[bytes] = []
    while size:
        if not left:
            at = cursor.offset
            kind, _, left = _record_header(cursor)
            if kind != HANDSHAKE:
                raise MalformedError("record_type", at, f"{kind} inside a handshake message")
        part = cursor.take(min(size, left), "handshake")
        parts.append(part)
        size -= len(part)
        left -= len(part)
    return b"".join(parts), left


def _read_client_hello(body: Cursor, length: int, from_client: bool) -> Message:  # noqa: ARG001 - one shape for all readers
    hello = parse_client_hello(body)
    return ClientHello(
        length=length,
        server_name=hello.server_name,
        application_protocols=hello.application_protocols,
        versions=hello.versions,
        cipher_suites=hello.cipher_suites,
        has_encrypted_client_hello=hello.has_encrypted_client_hello,
    )


def _read_server_hello(body: Cursor, length: int, from_client: bool) -> Message:  # noqa: ARG001 - as above
    hello = parse_server_hello(body)
    return ServerHello(
        length=length,
        version=hello.version,
        cipher_suite=hello.cipher_suite,
        application_protocol=hello.application_protocol,
        is_retry_request=hello.is_retry_request,
    )


def _read_certificate(body: Cursor, length: int, from_client: bool) -> Message:
    chain = body.block(body.uint(3, "certificate_list"), "certificate_list")
    leaf: bytes | None = None
    count = 0
    while chain.remaining and count < MAX_CHAIN:
        certificate = chain.take(chain.uint(3, "certificate"), "certificate")
        leaf = certificate if leaf is None else leaf
        count += 1
    if leaf is None:  # a client without a certificate (RFC 5246 7.4.6)
        return PassedOver(length=length)
    try:
        facts = parse_certificate(leaf)
    except DecodeError as error:
        raise MalformedError(f"certificate {error.field}", error.offset, error.problem) from None
    return Certificate(
        length=length,
        from_client=from_client,
        subject=facts.subject,
        issuer=facts.issuer,
        self_issued=facts.self_issued,
        not_before_ns=facts.not_before_ns,
        not_after_ns=facts.not_after_ns,
        names=facts.names,
        chain_length=count,
    )


_READERS: dict[int, Callable[[Cursor, int, bool], Message]] = {
    CLIENT_HELLO: _read_client_hello,
    SERVER_HELLO: _read_server_hello,
    CERTIFICATE: _read_certificate,
}

DISSECTOR = Dissector(
    name="tls",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    beginnings=tuple(
        bytes([kind, 3, minor]) for kind in (ALERT, HANDSHAKE, APPLICATION_DATA) for minor in range(5)
    ),
)
