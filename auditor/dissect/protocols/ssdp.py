"""
SSDP: searches and announcements of UPnP.

Standard: UPnP Device Architecture 2.0 section 1 (from memory), heads as RFC 9112.
Reads:    UDP payload.
Keeps:    the authority and path of LOCATION, SERVER, types; the unique part of USN only when it is a UUID.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({1900})  # IANA service name: ssdp

# UPnP Device Architecture 2.0, 1.2.2, 1.3.2 and 1.3.3
SEARCH_LINE = b"M-SEARCH * HTTP/1.1"
NOTIFY_LINE = b"NOTIFY * HTTP/1.1"
RESPONSE_LINE = b"HTTP/1.1 200"
KINDS = {"ssdp:alive": "alive", "ssdp:byebye": "byebye", "ssdp:update": "update"}  # NTS, 1.2.2 to 1.2.4

MAX_HEAD_OCTETS = 8192  # as HTTP servers bound a head; UPnP 1.1 asks for messages that fit one frame
MAX_FIELDS = 64  # twenty are defined with all extensions
MAX_AGE_DIGITS = 10  # of a delta-seconds (RFC 9111 1.2.2)

_HEXADECIMAL = b"0123456789abcdefABCDEF-"
_USER_AND_HOST = re.compile(r"([A-Za-z][A-Za-z0-9+.-]{0,15}://)(?:[^/?#@]*@)*([^?#@]*)")


@value_class
class SsdpMessage(Message):
    """M-SEARCH, NOTIFY or the response to a search."""

    kind: str
    """``search``, ``alive``, ``byebye``, ``update``, ``response``."""
    target: str | None
    """ST or NT."""
    location: str | None
    """LOCATION without query and user info."""
    server: str | None
    """SERVER or USER-AGENT."""
    unique_name: str | None
    """USN."""
    max_age_seconds: int | None


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing."""
    return head.startswith((SEARCH_LINE, NOTIFY_LINE, RESPONSE_LINE))


def parse_message(cursor: Cursor) -> SsdpMessage:
    """
    Parse one datagram.

    Raises:
        DecodeError: not a search, notification or response, or a head that breaks
            RFC 9112 section 5.
    """
    length = cursor.remaining
    if length > MAX_HEAD_OCTETS:
        raise LimitError("head", cursor.offset, f"{length} octets > {MAX_HEAD_OCTETS}")
    data = cursor.take(length, "head")
    start_line, fields = _head(data)
    if start_line == SEARCH_LINE:
        kind, target = "search", fields.get(b"st")
        server = fields.get(b"user-agent")
    elif start_line == NOTIFY_LINE:
        kind, target = _notification(fields), fields.get(b"nt")
        server = fields.get(b"server")
    elif start_line.startswith(RESPONSE_LINE) and start_line[len(RESPONSE_LINE) :][:1] in (b"", b" "):
        kind, target = "response", fields.get(b"st")
        server = fields.get(b"server")
    else:
        raise MalformedError("start_line", 0, "neither a search nor a notification nor a response")
    return SsdpMessage(
        length=length,
        kind=kind,
        target=_text(target),
        location=_location(fields.get(b"location") or fields.get(b"al")),
        server=_text(server),
        unique_name=_unique_name(fields.get(b"usn")),
        max_age_seconds=_max_age(fields.get(b"cache-control", b"")),
    )


def _head(data: bytes) -> tuple[bytes, dict[bytes, bytes]]:
    """
    Split a head into its start line and its fields, names in lower case, of equal names the first.

    Lines end with CRLF or with LF alone (RFC 9112 2.2).  The head ends with an
    empty line, or with the datagram behind a whole line, as small devices send it.
    """
    lines = data.split(b"\n", MAX_FIELDS + 2)
    fields: dict[bytes, bytes] = {}
    offset = len(lines[0]) + 1
    for number, line in enumerate(lines[1:], 1):
        text = line.strip(b" \t\r")
        if number == len(lines) - 1:
            if number > MAX_FIELDS:
                raise LimitError("fields", offset, f"more than {MAX_FIELDS}")
            if line:
                raise TruncatedError("fields", offset + len(line), "the line does not end")
        if not text:
            return lines[0].rstrip(b" \t\r"), fields
        name, colon, value = text.partition(b":")
        if not colon or not name:
            raise MalformedError("fields", offset, "a line without a name")
        fields.setdefault(name.rstrip(b" \t").lower(), value.lstrip(b" \t"))
        offset += len(line) + 1
    raise TruncatedError("start_line", len(data), "the line does not end")


def _notification(fields: dict[bytes, bytes]) -> str:
    kind = KINDS.get(to_printable(fields.get(b"nts", b"")).lower())
    if kind is None:
        raise MalformedError("nts", 0, "unknown sub-type of a notification")
    return kind


def _text(value: bytes | None) -> str | None:
    return None if value is None else to_printable(value)


def _location(value: bytes | None) -> str | None:
    """Keep scheme, authority without user info, and path; None where there is no such thing."""
    match = _USER_AND_HOST.match(to_printable(value or b""))
    return match[1] + match[2] if match else None


def _unique_name(value: bytes | None) -> str | None:
    """Keep a USN whose unique part is a UUID (RFC 9562 section 4), alone or before ``::`` and a type."""
    unique, _, kind = (value or b"").partition(b"::")
    scheme, _, identifier = unique.partition(b":")
    groups = identifier.split(b"-")
    is_uuid = [len(group) for group in groups] == [8, 4, 4, 4, 12] and not identifier.strip(_HEXADECIMAL)
    if scheme.lower() != b"uuid" or not is_uuid:
        return None
    return to_printable(unique + b"::" + kind if kind else unique)


def _max_age(value: bytes) -> int | None:
    """Seconds of the directive max-age (RFC 9111 5.2.2.1)."""
    for directive in value.lower().split(b","):
        name, _, argument = directive.partition(b"=")
        digits = argument.strip(b' \t"')
        if name.strip() == b"max-age" and digits.isdigit() and len(digits) <= MAX_AGE_DIGITS:
            return int(digits)
    return None


DISSECTOR = Dissector(
    name="ssdp",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
