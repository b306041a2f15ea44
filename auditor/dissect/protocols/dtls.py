"""
DTLS records: hello messages in the clear, alerts before encryption, and that the rest is encrypted.

Standards: RFC 6347 section 4.1 (records), 4.2.1 (HelloVerifyRequest), 4.2.2 (handshake header, fragments);
           RFC 9147 section 4 (the header of encrypted records of DTLS 1.3), 5.3 (ClientHello), 9146 (CID).
Reads:     datagrams, on any port.
Keeps:     versions, names, suites; no random, cookie, identifier or key share.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.tls_handshake import parse_client_hello, parse_server_hello
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({5684})  # IANA service name: coaps

# RFC 8446 5.1 ContentType; RFC 9146 section 4 (tls12_cid), RFC 9147 section 4 (ack)
CHANGE_CIPHER_SPEC, ALERT, HANDSHAKE, APPLICATION_DATA, HEARTBEAT, CID, ACK = 20, 21, 22, 23, 24, 25, 26
# RFC 6347 4.1: 1.0 is {254, 255}, 1.2 {254, 253}; 1.3 stands in supported_versions only (RFC 9147 5.3).
VERSION_MAJOR, MINORS = 0xFE, frozenset({0xFF, 0xFD})
# RFC 9147 figure 3: 001CSLEE begins an encrypted record of DTLS 1.3.
UNIFIED_MASK, UNIFIED = 0xE0, 0x20
CLIENT_HELLO, SERVER_HELLO, HELLO_VERIFY_REQUEST = 1, 2, 3  # RFC 6347 4.3.2

RECORD_HEADER_OCTETS, FRAGMENT_HEADER_OCTETS = 13, 12
MAX_RECORD_OCTETS = (1 << 14) + 2048  # RFC 6347 4.1.1 refers to RFC 5246 6.2.3
MAX_RECORDS = 64  # of one datagram of 1 500 octets, with room: an alert's record has 15
MAX_HELLO_OCTETS = 16_384  # a hello with post-quantum shares has some 2 000


@value_class
class DtlsClientHello(Message):
    """RFC 6347 4.2.1, RFC 9147 5.3."""

    server_name: str | None
    """Lower case; the outer name where ``has_encrypted_client_hello``."""
    application_protocols: tuple[str, ...]
    versions: tuple[int, ...]
    """Offered, highest first: 0xfefc DTLS 1.3, 0xfefd 1.2, 0xfeff 1.0."""
    cipher_suites: tuple[int, ...]
    has_cookie: bool
    """The second hello: it answers a HelloVerifyRequest or a HelloRetryRequest."""
    has_encrypted_client_hello: bool


@value_class
class DtlsServerHello(Message):
    """RFC 6347 4.2.2, RFC 9147 5.4; a HelloRetryRequest is one too."""

    version: int
    cipher_suite: int
    application_protocol: str | None
    is_retry_request: bool


@value_class
class DtlsHelloVerifyRequest(Message):
    """The server asks for a second hello with its cookie (RFC 6347 4.2.1)."""

    version: int


@value_class
class DtlsRecords(Message):
    """A datagram without a hello that could be read."""

    content_types: tuple[int, ...]
    """Of its records, in order, each once; those of encrypted records of DTLS 1.3 are hidden."""
    is_encrypted: bool
    """Some record is under keys: its epoch is not 0, or its header is that of DTLS 1.3."""
    alert: tuple[int, int] | None
    """Level and description of an alert in the clear."""
    is_fragment: bool
    """A part of a hello whose other parts are in other datagrams."""


def looks_like(head: bytes) -> bool:
    """Whether a datagram begins with a record header of DTLS 1.0 or 1.2, which every hello has."""
    if len(head) < RECORD_HEADER_OCTETS or not CHANGE_CIPHER_SPEC <= head[0] <= ACK:
        return False
    if head[1] != VERSION_MAJOR or head[2] not in MINORS:
        return False
    if head[0] == CID:
        return True
    length = head[11] << 8 | head[12]
    if not 0 < length <= MAX_RECORD_OCTETS:
        return False
    if head[3:5] != b"\0\0" or head[0] != HANDSHAKE or len(head) == RECORD_HEADER_OCTETS:
        return True
    return length >= FRAGMENT_HEADER_OCTETS and head[RECORD_HEADER_OCTETS] <= 24


def continues(head: bytes) -> bool:
    """Whether a datagram of a known conversation is DTLS: encrypted records of 1.3 have a short header."""
    return looks_like(head) or (len(head) > 2 and head[0] & UNIFIED_MASK == UNIFIED)


def parse_datagram(cursor: Cursor) -> Message:
    """
    Parse the records of one datagram; its first hello is what it says.

    Raises:
        DecodeError: the records do not fill the datagram, or a hello breaks its format.
    """
    whole = cursor.remaining
    kinds: dict[int, None] = {}
    is_encrypted = is_fragment = False
    alert: tuple[int, int] | None = None
    for _ in range(MAX_RECORDS):
        if not cursor.remaining:
            break
        kind, epoch, record = _record(cursor)
        if kind is None or epoch:
            is_encrypted = True
        if kind is None:
            break
        kinds[kind] = None
        if epoch:
            continue
        if kind == ALERT and record.remaining == 2:
            alert = record.uint(1, "alert_level"), record.uint(1, "alert_description")
        elif kind == HANDSHAKE:
            hello = _hello(record, cursor, whole)
            if hello is not None:
                return hello
            is_fragment = is_fragment or _is_part_of_hello(record)
    else:
        raise LimitError("records", cursor.offset, f"more than {MAX_RECORDS}")
    return DtlsRecords(
        length=whole,
        content_types=tuple(kinds),
        is_encrypted=is_encrypted,
        alert=alert,
        is_fragment=is_fragment,
    )


def _record(cursor: Cursor) -> tuple[int | None, int, Cursor]:
    """Content type, epoch and content; None for one that hides them: the rest is encrypted too."""
    start = cursor.offset
    kind = cursor.uint(1, "record_type")
    if kind & UNIFIED_MASK == UNIFIED or kind == CID:
        # How long the connection identifier is was agreed upon before (RFC 9146 section 3, RFC 9147 4).
        return None, 0, cursor.block(cursor.remaining, "encrypted_record")
    if not CHANGE_CIPHER_SPEC <= kind <= ACK:
        raise MalformedError("record_type", start, f"{kind}")
    version = cursor.uint(2, "record_version")
    if version >> 8 != VERSION_MAJOR:
        raise MalformedError("record_version", start + 1, f"0x{version:04x}")
    epoch = cursor.uint(2, "epoch")
    cursor.take(6, "sequence_number")
    length_at, length = cursor.offset, cursor.uint(2, "record_length")
    if length > MAX_RECORD_OCTETS:
        raise LimitError("record_length", length_at, f"{length} > {MAX_RECORD_OCTETS}")
    return kind, epoch, cursor.block(length, "record")


def _hello(record: Cursor, rest: Cursor, whole: int) -> Message | None:
    """The hello that begins a handshake record; None for another message, or one that is not whole."""
    inner = Cursor(record.take(record.remaining, "handshake"))
    if inner.remaining < FRAGMENT_HEADER_OCTETS:
        raise TruncatedError("handshake", record.offset, "shorter than its header")
    kind, size = inner.uint(1, "handshake_type"), inner.uint(3, "handshake_length")
    sequence, offset = inner.uint(2, "message_sequence"), inner.uint(3, "fragment_offset")
    part = inner.uint(3, "fragment_length")
    record.offset -= inner.offset + inner.remaining  # for whoever asks again
    if kind not in (CLIENT_HELLO, SERVER_HELLO, HELLO_VERIFY_REQUEST):
        return None
    if size > MAX_HELLO_OCTETS:
        raise LimitError("handshake_length", 1, f"{size} > {MAX_HELLO_OCTETS}")
    if offset:
        return None
    octets = inner.take(part, "fragment")
    if len(octets) < size:
        octets = _joined(octets, sequence, size, rest)
    if len(octets) < size:
        return None
    body = Cursor(octets[:size])
    if kind == CLIENT_HELLO:
        return _client_hello(body, whole)
    if kind == SERVER_HELLO:
        hello = parse_server_hello(body, is_datagram=True)
        return DtlsServerHello(
            length=whole,
            version=hello.version,
            cipher_suite=hello.cipher_suite,
            application_protocol=hello.application_protocol,
            is_retry_request=hello.is_retry_request,
        )
    version = body.uint(2, "server_version")
    body.block(body.uint(1, "cookie"), "cookie")
    return DtlsHelloVerifyRequest(length=whole, version=version)


def _client_hello(body: Cursor, whole: int) -> DtlsClientHello:
    hello = parse_client_hello(body, is_datagram=True)
    return DtlsClientHello(
        length=whole,
        server_name=hello.server_name,
        application_protocols=hello.application_protocols,
        versions=hello.versions,
        cipher_suites=hello.cipher_suites,
        has_cookie=hello.has_cookie,
        has_encrypted_client_hello=hello.has_encrypted_client_hello,
    )


def _joined(octets: bytes, sequence: int, size: int, rest: Cursor) -> bytes:
    """Add the parts of a message that follow in the same datagram, in order (RFC 6347 4.2.3)."""
    ahead = Cursor(rest.take(rest.remaining, "record"))
    rest.offset -= ahead.remaining
    for _ in range(MAX_RECORDS):
        if not ahead.remaining or len(octets) >= size:
            break
        kind, epoch, record = _record(ahead)
        if kind != HANDSHAKE or epoch or record.remaining < FRAGMENT_HEADER_OCTETS:
            break
        record.take(4, "handshake_length")
        same = record.uint(2, "message_sequence") == sequence
        if not same or record.uint(3, "fragment_offset") != len(octets):
            break
        octets += record.take(record.uint(3, "fragment_length"), "fragment")
    return octets


def _is_part_of_hello(record: Cursor) -> bool:
    return record.remaining > 0 and record.uint(1, "handshake_type") in (CLIENT_HELLO, SERVER_HELLO)


DISSECTOR = Dissector(
    name="dtls",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    continues=continues,
    parse_datagram=parse_datagram,
)
