"""
RTSP requests and responses.

Standards: RFC 7826 and RFC 2326 sections 6, 7 and 10.12 (interleaved data); heads as RFC 9112.
Reads:     both directions of a TCP stream, on any port.
Keeps:     method, path as of HTTP, status; credentials as ``Secret``; no body.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_credentials import scheme_of, secrets_of_head, split_target
from auditor.dissect.syntax.http_head import HttpHead, SightedSecret, parse_head
from auditor.dissect.syntax.printable import printable
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({554, 8554})  # IANA service names: rtsp, rtsp-alt
# RFC 7826 section 13, RFC 2326 section 10
METHODS = (
    *("OPTIONS", "DESCRIBE", "SETUP", "PLAY", "PAUSE", "TEARDOWN", "ANNOUNCE", "RECORD", "REDIRECT"),
    *("GET_PARAMETER", "SET_PARAMETER", "PLAY_NOTIFY"),
)
REQUEST_START = re.compile(rb"[A-Z_]{4,13} +(?:rtsps?u?://|\*)[^\r\n]*")
REQUEST_LINE = re.compile(rb"([A-Z_]{4,13}) +([^\s]+) +RTSP/([12])\.([0-9])\Z")
STATUS_LINE = re.compile(rb"RTSP/([12])\.([0-9]) +([1-5][0-9][0-9])(?: .*)?\Z")
INTERLEAVED = b"$"
MAX_BODY_DIGITS = 9  # a session description has some KiB


@value_class
class RtspRequest(Message):
    """RFC 7826 section 7."""

    method: str
    path: str
    version: str
    user_agent: str | None
    scheme: str | None
    """Authentication scheme, lower case."""
    secrets: tuple[SightedSecret, ...]


@value_class
class RtspResponse(Message):
    """RFC 7826 section 8."""

    status: int
    version: str
    server: str | None
    challenge: str | None
    """First scheme of WWW-Authenticate, lower case."""


def looks_like(head: bytes) -> bool:
    """Whether a stream begins with a start line of RTSP."""
    if head.startswith(b"RTSP/"):
        return True
    if REQUEST_START.match(head) is None or head.split(b" ", 1)[0].decode("ascii") not in METHODS:
        return False
    return b"rtsp" in head.split(b"\r", 1)[0].lower()


def client_speaks(head: bytes) -> bool | None:
    """Whether the octets are a request's beginning; servers ask rarely (RFC 7826 section 13)."""
    return None if head.startswith(INTERLEAVED) else not head.startswith(b"RTSP/")


def parse_stream(cursor: Cursor, from_client: bool, _conversation: Conversation) -> Message:
    """
    Parse the next message of one direction; interleaved media and bodies are passed over.

    Raises:
        TruncatedError: the head is not there yet.
        DecodeError: no start line of RTSP.
    """
    octets = cursor.take(cursor.remaining, "message")
    if octets.startswith(INTERLEAVED):
        header = Cursor(octets)
        header.take(2, "channel")
        return PassedOver(length=4 + header.uint(2, "interleaved_length"))
    head = parse_head(octets, "request_head" if from_client else "response_head")
    length = head.length + _body_octets(head)
    status = STATUS_LINE.match(head.start_line)
    if status is not None:
        return RtspResponse(
            length=length,
            status=int(status[3]),
            version=f"{int(status[1])}.{int(status[2])}",
            server=_text(head.get(b"server")),
            challenge=scheme_of(head.get(b"www-authenticate")),
        )
    request = REQUEST_LINE.match(head.start_line)
    if request is None:
        raise MalformedError("start_line", 0, "neither a request nor a status line of RTSP")
    path, _, _, secrets = split_target(request[2])
    return RtspRequest(
        length=length,
        method=request[1].decode("ascii"),
        path=path,
        version=f"{int(request[3])}.{int(request[4])}",
        user_agent=_text(head.get(b"user-agent")),
        scheme=scheme_of(head.get(b"authorization")),
        secrets=(*secrets, *secrets_of_head(head)),
    )


def _body_octets(head: HttpHead) -> int:
    value = head.get(b"content-length")
    if value is None:
        return 0
    if not value.isdigit() or len(value) > MAX_BODY_DIGITS:
        raise MalformedError("content_length", 0, "not a number of a body's octets")
    return int(value)


def _text(value: bytes | None) -> str | None:
    return printable(value, 256) if value else None


DISSECTOR = Dissector(
    name="rtsp",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    beginnings=(b"RTSP/", *(method.encode("ascii") for method in METHODS)),
)
