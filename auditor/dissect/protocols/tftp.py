"""
TFTP requests: a file is read or written without any login.

Standards: RFC 1350 sections 2 and 5 (requests), RFC 2347 (options).
Reads:     datagrams, on any port; the transfer itself runs between other ports (section 4) and is not read.
Keeps:     the file's name, with what looks like a token or an identifier hidden.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.secrets import is_identifier, looks_random
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({69})  # IANA service name: tftp
READ, WRITE = 1, 2  # section 5
MODES = frozenset({b"netascii", b"octet", b"mail"})  # section 1, any case
MAX_REQUEST_OCTETS = 512  # RFC 2347: a request with its options
MAX_NAME = 128  # characters of a file name kept
MAX_OPTIONS = 16  # the registry has seven


@value_class
class TftpRequest(Message):
    """A request to read (RRQ) or to write (WRQ) a file."""

    is_write: bool
    file_name: str
    """Made harmless; parts that look random are written ``*``."""
    mode: str
    options: tuple[str, ...]
    """Names, lower case (RFC 2347)."""


def looks_like(head: bytes) -> bool:
    """Whether a datagram begins with an opcode, a printable name and a mode, as far as it is shown."""
    if len(head) < 6 or head[0] or head[1] not in (READ, WRITE):
        return False
    name, end, rest = head[2:].partition(b"\0")
    if not name or any(octet < 0x20 or octet == 0x7F for octet in name):
        return False
    if not end:
        return True
    mode, end, _ = rest.partition(b"\0")
    lowered = mode.lower()
    return lowered in MODES if end else any(one.startswith(lowered) for one in MODES)


def parse_datagram(cursor: Cursor) -> TftpRequest:
    """
    Parse one request.

    Raises:
        DecodeError: no request, or one without name or mode.
    """
    length = cursor.remaining
    if length > MAX_REQUEST_OCTETS:
        raise LimitError("request", cursor.offset, f"{length} octets > {MAX_REQUEST_OCTETS}")
    opcode = cursor.uint(2, "opcode")
    if opcode not in (READ, WRITE):
        raise MalformedError("opcode", 0, f"{opcode} is no request")
    fields = cursor.take(cursor.remaining, "file_name").split(b"\0")
    if len(fields) < 3 or not fields[0]:
        raise MalformedError("file_name", 2, "name and mode do not end with octets 0")
    name, mode = fields[0], fields[1].lower()
    if mode not in MODES:
        raise MalformedError("mode", 3 + len(name), "neither netascii nor octet nor mail")
    return TftpRequest(
        length=length,
        is_write=opcode == WRITE,
        file_name=_harmless(name),
        mode=mode.decode("ascii"),
        options=tuple(printable(option).lower() for option in fields[2 : 2 + 2 * MAX_OPTIONS : 2] if option),
    )


def _harmless(name: bytes) -> str:
    parts = printable(name, MAX_NAME).split("/")
    return "/".join(_part(part) for part in parts)


def _part(part: str) -> str:
    stem, point, suffix = part.rpartition(".")
    stem = stem if point else part
    if looks_random(stem) or is_identifier(stem):
        return "*" + (point + suffix if point else "")
    return part


DISSECTOR = Dissector(
    name="tftp", transport="udp", ports=PORTS, looks_like=looks_like, parse_datagram=parse_datagram
)
