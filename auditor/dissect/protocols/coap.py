"""
CoAP messages over UDP.

Standards: RFC 7252 section 3 (format), 5.9 and 12.1 (codes), RFC 7959 (blocks), RFC 7641 (Observe),
           RFC 8132 (FETCH, PATCH), RFC 8613 (OSCORE: what is protected is not read).
Reads:     datagrams on the registered port; on any other a conversation that a request with a path opens.
Keeps:     codes, path and names of the query, as of HTTP; of a JSON payload its names; no token, no value.
"""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import quote_from_bytes

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.coap_options import (
    BLOCK1,
    BLOCK2,
    CONTENT_FORMAT,
    OBSERVE,
    OSCORE,
    PROXY_URI,
    URI_HOST,
    URI_PATH,
    URI_QUERY,
    Options,
    are_known_options,
    first_of,
    read_options,
    unsigned,
)
from auditor.dissect.syntax.form import names_of
from auditor.dissect.syntax.http_credentials import split_target
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_rpc import message_shape
from auditor.dissect.syntax.printable import printable
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({5683})  # IANA service name: coap

VERSION = 1  # RFC 7252 section 3
CONFIRMABLE, NON_CONFIRMABLE, ACKNOWLEDGEMENT, RESET = 0, 1, 2, 3
MAX_TOKEN_OCTETS = 8  # RFC 7252 section 3: 9 to 15 are reserved
HEADER_OCTETS = 4
# RFC 7252 12.1.1, RFC 8132 section 7
METHODS = {1: "GET", 2: "POST", 3: "PUT", 4: "DELETE", 5: "FETCH", 6: "PATCH", 7: "iPATCH"}
# RFC 7252 12.1.2, RFC 7959, RFC 8132, RFC 8516, RFC 8768: class and detail as three bits and five
RESPONSES = frozenset(
    (kind << 5) | detail
    for kind, details in ((2, (1, 2, 3, 4, 5, 31)), (4, (*range(7), 8, 9, 12, 13, 15, 22, 29)), (5, range(9)))
    for detail in details
)
MAX_HEAD = 64  # octets that ``looks_like`` is given at most


@value_class
class CoapMessage(Message):
    """A request, a response or an empty message (RFC 7252 section 4)."""

    message_type: int
    """0 confirmable, 1 non-confirmable, 2 acknowledgement, 3 reset."""
    code: int
    """Class in the three high bits, detail in the five low ones; 0: empty."""
    method: str | None
    """Of a request."""
    message_id: int
    """Pairs a message with its acknowledgement or reset (4.2)."""
    token: bytes
    """Pairs a request with its response (5.3.1); chosen anew by clients, it says nothing about anybody."""
    host: str | None
    path: str
    """Of a request, as for HTTP: segments that hold a secret or look random are written ``*``."""
    query_keys: tuple[str, ...]
    content_format: int | None
    """0 text, 40 links, 42 octets, 50 JSON, 60 CBOR (12.3)."""
    observe: int | None
    """Of a request 0 to register, 1 to deregister; of a response a sequence (RFC 7641 section 2)."""
    request_block: tuple[int, bool, int] | None
    """Block1 (RFC 7959 2.2): number, whether more follow, octets of a block: a body is sent in parts."""
    response_block: tuple[int, bool, int] | None
    """Block2."""
    is_oscore: bool
    """Option 9 is there: the code shown is that of the wrapper, and the content is encrypted (RFC 8613)."""
    is_for_proxy: bool
    payload_octets: int
    payload_keys: tuple[str, ...]
    secrets: tuple[SightedSecret, ...]

    @property
    def is_request(self) -> bool:
        """Whether it asks for something; an empty message does not."""
        return 1 <= self.code < 32

    @property
    def code_text(self) -> str:
        """The code as ``c.dd`` (RFC 7252 section 3)."""
        return f"{self.code >> 5}.{self.code & 31:02d}"


def looks_like(head: bytes) -> bool:
    """Whether a datagram of the registered port, or of a known conversation, begins like a message."""
    if len(head) < HEADER_OCTETS or head[0] >> 6 != VERSION:
        return False
    token_octets, code = head[0] & 0x0F, head[1]
    if code == 0:
        return token_octets == 0 and len(head) == HEADER_OCTETS
    if token_octets > MAX_TOKEN_OCTETS or not (code in METHODS or code in RESPONSES):
        return False
    is_whole = len(head) < MAX_HEAD
    options = head[HEADER_OCTETS + token_octets :]
    return len(head) >= HEADER_OCTETS + token_octets and are_known_options(options, is_whole=is_whole)


def looks_like_request(head: bytes) -> bool:
    """Whether a datagram of any port is a request with a path of printable text."""
    if len(head) < HEADER_OCTETS + 2 or head[0] & 0xE0 != VERSION << 6 or head[1] not in METHODS:
        return False
    if not looks_like(head):
        return False
    options = head[HEADER_OCTETS + (head[0] & 0x0F) :]
    if not options or options[0] & 0xF0 != URI_PATH << 4:  # senders leave Uri-Host out (5.10.1)
        return False
    length = options[0] & 0x0F
    segment = options[1 : 1 + length]
    return 0 < length < 13 and len(segment) == length and segment.isascii() and bytes(segment).isalnum()


def parse_datagram(cursor: Cursor) -> CoapMessage:
    """
    Parse one message.

    Raises:
        DecodeError: another version, a token or an option that the standard forbids.
    """
    start, whole = cursor.offset, cursor.remaining
    first = cursor.uint(1, "version")
    if first >> 6 != VERSION:
        raise MalformedError("version", start, f"{first >> 6}")
    token_octets = first & 0x0F
    if token_octets > MAX_TOKEN_OCTETS:
        raise MalformedError("token_length", start, f"{token_octets} > {MAX_TOKEN_OCTETS}")
    code, message_id = cursor.uint(1, "code"), cursor.uint(2, "message_id")
    if code == 0 and (token_octets or cursor.remaining):  # RFC 7252 4.1
        raise MalformedError("code", start + 1, "an empty message with content")
    if code > 0 and code not in METHODS and code >> 5 not in (2, 4, 5):  # 1, 6 and 7 are reserved
        raise MalformedError("code", start + 1, f"{code >> 5}.{code & 31:02d}")
    token = cursor.take(token_octets, "token")
    options = read_options(cursor)
    payload = cursor.take(cursor.remaining, "payload")
    is_oscore = first_of(options, OSCORE) is not None
    is_request = code in METHODS
    path, query_keys, url_secrets = _target(options) if is_request else ("", (), ())
    keys, secrets, _ = ((), (), None) if is_oscore else message_shape(payload, "coap-json")
    host = first_of(options, URI_HOST)
    return CoapMessage(
        length=whole,
        message_type=first >> 4 & 3,
        code=code,
        method=METHODS.get(code),
        message_id=message_id,
        token=token,
        host=printable(host.lower(), 255) if host else None,
        path=path,
        query_keys=query_keys,
        content_format=unsigned(first_of(options, CONTENT_FORMAT)),
        observe=unsigned(first_of(options, OBSERVE)),
        request_block=_block(first_of(options, BLOCK1)),
        response_block=_block(first_of(options, BLOCK2)),
        is_oscore=is_oscore,
        is_for_proxy=first_of(options, PROXY_URI) is not None,
        payload_octets=len(payload),
        payload_keys=keys,
        secrets=(*url_secrets, *secrets),
    )


def _target(options: Options) -> tuple[str, tuple[str, ...], tuple[SightedSecret, ...]]:
    """Path and names of the query, by the reader of HTTP targets (RFC 7252 6.5 composes the same URI)."""
    segments = [quote_from_bytes(value, safe="=;+") for number, value in options if number == URI_PATH]
    queries = [quote_from_bytes(value, safe="=") for number, value in options if number == URI_QUERY]
    target = "/" + "/".join(segments) + ("?" + "&".join(queries) if queries else "")
    path, fields, _, secrets = split_target(target.encode("ascii"))
    return path, names_of(fields), tuple(replace(one, place="coap-uri") for one in secrets)


def _block(value: bytes | None) -> tuple[int, bool, int] | None:
    """Number, more, size (RFC 7959 2.2); None where absent, too long, or of the reserved size."""
    number = unsigned(value)
    if number is None or value is None or len(value) > 3 or number & 7 == 7:
        return None
    return number >> 4, bool(number & 8), 1 << ((number & 7) + 4)


DISSECTORS = (
    Dissector(
        name="coap",
        transport="udp",
        ports=PORTS,
        looks_like=looks_like,
        parse_datagram=parse_datagram,
        any_port=False,
    ),
    Dissector(
        name="coap",
        transport="udp",
        ports=frozenset(),
        looks_like=looks_like_request,
        continues=looks_like,
        parse_datagram=parse_datagram,
    ),
)
