"""
HTTP/1.0 and HTTP/1.1 requests and responses.

Standards: RFC 9110, RFC 9112; Basic: RFC 7617; bearer: RFC 6750.
Reads:     one direction of a TCP stream, on any port.
Keeps:     credentials as ``Secret``; of a query the names of its parameters; of a body its shape, no values.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, field

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.form import names_of
from auditor.dissect.syntax.http_body import (
    MAX_BODY_KEPT,
    Body,
    Framing,
    after_last_chunk,
    framing_of,
    media_type_of,
    next_chunk,
    read_body,
    shape_of,
)
from auditor.dissect.syntax.http_credentials import (
    host_of,
    scheme_of,
    secrets_of_head,
    secrets_of_response,
    split_authority,
    split_target,
)
from auditor.dissect.syntax.http_fields import (
    accepts_websocket,
    challenges_of,
    cookie_names,
    digest_algorithm,
    is_cross_origin,
    tokens_of,
)
from auditor.dissect.syntax.http_head import HttpHead, SightedSecret, has_head_of_text, parse_head
from auditor.dissect.syntax.json_rpc import RpcShape
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.soap import SoapMessage, soap_of_field
from auditor.dissect.syntax.upnp_description import UpnpDescription
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# IANA service names: http 80, http-alt 8080; 8000 and 8081 by common practice
PORTS = frozenset({80, 8000, 8080, 8081})

# IANA HTTP method registry as far as devices use it (from memory), and those of UPnP
# eventing; a conversation on an unknown port is found again by these alone.
METHODS = (
    *(b"GET", b"POST", b"PUT", b"HEAD", b"OPTIONS", b"PATCH", b"DELETE", b"CONNECT", b"TRACE"),
    *(b"SUBSCRIBE", b"UNSUBSCRIBE", b"NOTIFY", b"PROPFIND", b"REPORT"),
)
REQUEST_START = re.compile(rb"(?:\r\n){0,2}[A-Z][A-Z-]{2,20} (?:[/*]|https?://|[A-Za-z0-9.-]+:[0-9])")
REQUEST_LINE = re.compile(rb"([!#$%&'*+\-.^_`|~0-9A-Za-z]{1,32}) +([^\s]+) +HTTP/(1)\.([0-9])\Z")
STATUS_LINE = re.compile(rb"HTTP/(1)\.([0-9]) +([1-5][0-9][0-9])(?: .*)?\Z")

NEXT_PROTOCOLS = {"websocket": "websocket", "h2c": "http2"}  # IANA HTTP upgrade tokens, and names of our rows
EVENT_STREAM = "text/event-stream"  # WHATWG HTML, server-sent events

# Answers owed to requests seen, so that an answer to HEAD is known to have no body.
MAX_PIPELINED = 64
MAX_TEXT = 256  # characters of a field kept


@value_class
class HttpRequest(Message):
    """A request (RFC 9112 section 3)."""

    method: str
    path: str
    """Path without query; segments that hold a secret or a long random-looking token are written ``*``."""
    query_keys: tuple[str, ...]
    version: str
    """``1.0`` or ``1.1``."""
    host: str | None
    """Host field without port, lower case."""
    user_agent: str | None
    origin: str | None
    content_type: str | None
    """Media type alone, lower case."""
    content_length: int | None
    body_keys: tuple[str, ...]
    """Keys of a JSON object (nested ones joined by ``.``, at most three deep) or names of form fields."""
    soap: SoapMessage | None = None
    """The action asked of a UPnP device; by its field alone where the body was not read."""
    body_captured: bool
    """Whether the body was read as far as its keys are asked for."""
    scheme: str | None
    """Authentication scheme of the Authorization field, lower case: ``basic``, ``digest``, ``bearer`` …"""
    has_cookie: bool
    secrets: tuple[SightedSecret, ...]
    upgrade: str | None
    """Token of the Upgrade field, lower case."""
    digest_algorithm: str | None = None
    """Of Digest credentials, lower case: ``md5``, ``sha-256`` … (RFC 7616 3.3)."""
    cookie_names: tuple[str, ...] = ()
    is_cross_origin: bool | None = None
    """A web page of another host or port asks; None: no Origin field, or no Host field."""
    is_preflight: bool = False
    """A browser asks whether a page of another origin may send such a request (WHATWG Fetch)."""
    accepts_events: bool = False
    """The client asks for server-sent events."""
    subprotocols: tuple[str, ...] = ()
    """Offered for a WebSocket (RFC 6455 4.1)."""
    uploads: tuple[str, ...] = ()
    """Of files in a form what stands behind the last point of their names: ``bin``; may be empty."""
    rpc: RpcShape | None = None


@value_class
class HttpResponse(Message):
    """A final response (RFC 9112 section 4); interim 1xx responses except 101 are passed over."""

    status: int
    version: str
    server: str | None
    content_type: str | None
    content_length: int | None
    body_keys: tuple[str, ...]
    soap: SoapMessage | None = None
    """What a UPnP device answers to an action."""
    body_captured: bool
    challenge: str | None
    """First scheme of WWW-Authenticate, lower case."""
    allow_origin: str | None
    """Access-Control-Allow-Origin as sent (``*``, ``null`` or an origin)."""
    sets_cookie: bool
    location: str | None
    """Authority of the Location field only: other parts may hold secrets."""
    secrets: tuple[SightedSecret, ...]
    title: str | None
    """Of an HTML body, at most 80 characters."""
    challenges: tuple[str, ...] = ()
    """Schemes of all challenges, lower case."""
    digest_algorithms: tuple[str, ...] = ()
    """Of the Digest challenges, lower case."""
    cookie_names: tuple[str, ...] = ()
    """Of the cookies that are set."""
    allow_credentials: bool = False
    """Access-Control-Allow-Credentials: pages of that origin may use the login of the browser."""
    allow_methods: tuple[str, ...] = ()
    """Access-Control-Allow-Methods."""
    is_event_stream: bool = False
    """Server-sent events: a standing answer whose events are not read (WHATWG HTML)."""
    upgrade: str | None = None
    """Of 101: what takes the connection over, lower case."""
    accepts_websocket: bool | None = None
    """Of 101: the answer fits the key of the request (RFC 6455 4.2.2); None: the request was not recorded."""
    subprotocol: str | None = None
    """Chosen for a WebSocket."""
    description: UpnpDescription | None = None
    """Of a device, as UPnP control points fetch it."""
    rpc: RpcShape | None = None


@dataclass(slots=True)
class _Exchange:
    """What is remembered between the messages of a conversation."""

    methods: deque[str] = field(default_factory=lambda: deque(maxlen=MAX_PIPELINED))
    """Of requests without a final response yet."""
    websocket_key: bytes | None = None
    """Of the last request that asked for a WebSocket."""
    in_chunks: dict[bool, bool] = field(default_factory=dict)
    """By direction (whether from the client): the size of a further chunk of a body handed on stands next."""


def looks_like(head: bytes) -> bool:
    """Whether a stream that begins with ``head`` is worth parsing."""
    if head.startswith((b"HTTP/1.", b"\r\nHTTP/1.")):
        return True
    # "PRI * HTTP/2.0" opens HTTP/2 (RFC 9113 3.4), "OPTIONS rtsp:" is no HTTP either.
    return (
        REQUEST_START.match(head) is not None
        and not head.startswith(b"PRI ")
        and b" RTSP/" not in head.split(b"\r", 1)[0]
        and has_head_of_text(head.lstrip())
    )


def client_speaks(head: bytes) -> bool:
    """Whether the octets are a request's beginning."""
    return not head.lstrip().startswith(b"HTTP/")


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """Parse the next message of one direction; see ``StreamParser``."""
    if not isinstance(conversation.memory, _Exchange):
        conversation.memory = _Exchange()
    exchange = conversation.memory
    octets = cursor.take(cursor.remaining, "message")
    if conversation.is_resumed:
        exchange.in_chunks[from_client] = False
        exchange.methods.clear()
    if exchange.in_chunks.get(from_client):
        return _further_chunk(octets, exchange, from_client)
    head = parse_head(octets, "request_head" if from_client else "response_head")
    status = STATUS_LINE.match(head.start_line)
    if status is not None:
        return _response(octets, head, status, from_client, conversation)
    request = REQUEST_LINE.match(head.start_line)
    if request is not None:
        return _request(octets, head, request, from_client, conversation)
    raise MalformedError("start_line", 0, "neither a request nor a status line of HTTP/1")


def _request(
    octets: bytes, head: HttpHead, line: re.Match[bytes], from_client: bool, conversation: Conversation
) -> HttpRequest:
    exchange: _Exchange = conversation.memory
    framing = framing_of(head, is_request=True)
    conversation.needed = head.length + min(framing.content_length or 0, MAX_BODY_KEPT)
    body = read_body(octets, head.length, framing, ended=conversation.ended)
    path, query, authority, secrets = split_target(line[2])
    method = line[1].decode("ascii")
    if method == "CONNECT":  # the target is an authority (RFC 9112 3.2.3)
        authority, path = path.lower(), ""
    content_type = head.get(b"content-type")
    shape = shape_of(body.octets, content_type, head.get(b"content-encoding"))
    if authority is None and (sent := head.get(b"host")) is not None:
        authority, in_host = split_authority(sent)
        secrets += in_host
    exchange.methods.append(method)
    upgrade = _upgrade(head)
    if upgrade == "websocket":
        exchange.websocket_key = head.get(b"sec-websocket-key")
    exchange.in_chunks[from_client] = body.more_chunks
    return HttpRequest(
        length=head.length + body.wire_length,
        method=method,
        path=path,
        query_keys=names_of(query),
        version=f"1.{int(line[4])}",
        host=host_of(authority) if authority else None,
        user_agent=_text(head.get(b"user-agent")),
        origin=_text(head.get(b"origin")),
        content_type=media_type_of(content_type),
        content_length=_length(framing, body, head),
        body_keys=shape.keys,
        soap=shape.soap or soap_of_field(head.get(b"soapaction")),
        body_captured=body.is_whole,
        scheme=scheme_of(head.get(b"authorization")),
        has_cookie=head.get(b"cookie") is not None,
        secrets=(*secrets, *secrets_of_head(head), *shape.secrets),
        upgrade=upgrade,
        digest_algorithm=digest_algorithm(head.get(b"authorization")),
        cookie_names=cookie_names(head),
        is_cross_origin=is_cross_origin(head),
        is_preflight=method == "OPTIONS" and head.get(b"access-control-request-method") is not None,
        accepts_events=EVENT_STREAM in tokens_of(head, b"accept"),
        subprotocols=tokens_of(head, b"sec-websocket-protocol"),
        uploads=shape.uploads,
        rpc=shape.rpc,
    )


def _response(
    octets: bytes, head: HttpHead, line: re.Match[bytes], from_client: bool, conversation: Conversation
) -> Message:
    exchange: _Exchange = conversation.memory
    status = int(line[3])
    if 100 <= status < 200 and status != 101:
        return PassedOver(length=head.length)
    method = exchange.methods[0] if exchange.methods else None
    tunnels = status == 101 or (method == "CONNECT" and 200 <= status < 300)
    # RFC 9112 6.3: these have no body, whatever their fields say.
    without_body = tunnels or method == "HEAD" or status in (204, 304)
    framing = Framing(content_length=0) if without_body else framing_of(head, is_request=False)
    content_type = head.get(b"content-type")
    is_event_stream = media_type_of(content_type) == EVENT_STREAM
    if is_event_stream and not without_body:
        # It ends when somebody goes: what is there is handed on at once.
        body = Body(
            octets=b"",
            wire_length=framing.content_length or 0,
            is_whole=False,
            more_chunks=framing.is_chunked,
        )
    else:
        conversation.needed = head.length + min(framing.content_length or 0, MAX_BODY_KEPT)
        body = read_body(octets, head.length, framing, ended=conversation.ended)
    if exchange.methods:
        exchange.methods.popleft()
    exchange.in_chunks[from_client] = body.more_chunks
    if framing.until_close:
        if from_client:
            conversation.client_finished = True
        else:
            conversation.server_finished = True
    upgrade = _upgrade(head) if status == 101 else None
    if upgrade in NEXT_PROTOCOLS:
        conversation.next_protocol = NEXT_PROTOCOLS[upgrade]
    else:
        conversation.finished = conversation.finished or tunnels
    challenges, digest_algorithms = challenges_of(head)
    shape = shape_of(body.octets, content_type, head.get(b"content-encoding"))
    return HttpResponse(
        length=head.length + body.wire_length,
        status=status,
        version=f"1.{int(line[2])}",
        server=_text(head.get(b"server")),
        content_type=media_type_of(content_type),
        content_length=_length(framing, body, head),
        body_keys=shape.keys,
        soap=shape.soap,
        description=shape.description,
        body_captured=body.is_whole,
        challenge=scheme_of(head.get(b"www-authenticate")),
        allow_origin=_text(head.get(b"access-control-allow-origin")),
        sets_cookie=head.get(b"set-cookie") is not None,
        location=_location(head.get(b"location")),
        secrets=(*secrets_of_response(head), *shape.secrets),
        title=shape.title,
        challenges=challenges,
        digest_algorithms=digest_algorithms,
        cookie_names=cookie_names(head),
        allow_credentials=(head.get(b"access-control-allow-credentials") or b"").lower() == b"true",
        allow_methods=tokens_of(head, b"access-control-allow-methods"),
        is_event_stream=is_event_stream,
        upgrade=upgrade,
        accepts_websocket=accepts_websocket(exchange.websocket_key, head) if upgrade == "websocket" else None,
        subprotocol=next(iter(tokens_of(head, b"sec-websocket-protocol")), None),
        rpc=shape.rpc,
    )


def _further_chunk(octets: bytes, exchange: _Exchange, from_client: bool) -> PassedOver:
    """Pass over the next chunk of a body whose beginning was handed on."""
    size, data = next_chunk(octets, 0)
    if not size:
        length = after_last_chunk(octets, data)
        exchange.in_chunks[from_client] = False
        return PassedOver(length=length)
    ending = octets[data + size : data + size + 1]
    return PassedOver(length=data + size + (1 if ending == b"\n" else 2))


def _length(framing: Framing, body: Body, head: HttpHead) -> int | None:
    """Octets of the body where a field or its end told them; None where neither did."""
    if framing.content_length is not None and head.get(b"content-length") is not None:
        return framing.content_length
    if framing.is_chunked or framing.until_close:
        return len(body.octets) if body.is_whole else None
    return 0


def _text(value: bytes | None) -> str | None:
    return printable(value, MAX_TEXT) if value else None


def _upgrade(head: HttpHead) -> str | None:
    value = head.get(b"upgrade")
    return printable(value.split(b",", 1)[0].strip().lower()) if value else None


def _location(value: bytes | None) -> str | None:
    """Authority alone; None for a relative reference."""
    if not value or b"//" not in value:
        return None
    rest = value.split(b"//", 1)[1]
    octets = re.split(rb"[/?#]", rest, maxsplit=1)[0]
    return split_authority(octets)[0] or None


DISSECTOR = Dissector(
    name="http",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    beginnings=(*(method + b" " for method in METHODS), b"HTTP/1."),
)
