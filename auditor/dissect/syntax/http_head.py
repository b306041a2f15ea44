"""
The head of an HTTP/1 message, also used by SSDP, RTSP and UPnP descriptions.

Standard: RFC 9112 sections 2 to 6, RFC 9110 section 5 (fields).

We read what others sent and answer nothing, so a head is read more leniently
than a server may: a bare LF ends a line (RFC 9112 2.2), folded lines are joined
(5.2), and a field line without a colon is passed over.
"""

from __future__ import annotations

import re

from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.value_class import value_class

# Servers commonly refuse heads above 8 to 64 KiB (common practice).
MAX_HEAD_OCTETS = 32_768
# Twice what browsers send (about 30), times four.
MAX_FIELDS = 256
MAX_EMPTY_LINES = 8  # before a start line; RFC 9112 2.2 speaks of one

END_OF_HEAD = re.compile(rb"\n\r?\n")
TOKEN = re.compile(rb"[!#$%&'*+\-.^_`|~0-9A-Za-z]+\Z")  # RFC 9110 5.6.2


@value_class
class SightedSecret:
    """A secret and where in the message it stood."""

    kind: str
    """``password``, ``token``, ``user-name``, ``wifi-passphrase``."""
    place: str
    """``http-basic``, ``http-bearer``, ``http-cookie``, ``http-url``, ``http-header``, ``http-form``,
    ``http-json``, ``mqtt-connect``, ``text-key``, ``user-info``."""
    field: str
    """Name of the field, key or parameter that held it (made harmless); never the value."""
    secret: Secret


@value_class
class HttpHead:
    """Start line and fields."""

    length: int
    """Octets, the empty line included."""
    start_line: bytes
    fields: tuple[tuple[bytes, bytes], ...]
    """Names in lower case, values without white space around them."""

    def get(self, name: bytes) -> bytes | None:
        """Value of the first field of that (lower-case) name."""
        for field, value in self.fields:
            if field == name:
                return value
        return None

    def get_all(self, name: bytes) -> list[bytes]:
        """Members of all fields of that name, as one list (RFC 9110 5.3 and 5.6.1)."""
        joined = b",".join(value for field, value in self.fields if field == name)
        return [member for part in joined.split(b",") if (member := part.strip(b" \t"))]


def parse_head(octets: bytes, what: str = "head") -> HttpHead:
    """
    Parse the head at the start of ``octets``.

    ``what`` names the head in errors.

    Raises:
        TruncatedError: the empty line that ends a head is not there yet.
        LimitError: the head is longer than ``MAX_HEAD_OCTETS`` or has too many fields.
        MalformedError: there is no start line.
    """
    start = 0
    for _ in range(MAX_EMPTY_LINES):
        if octets.startswith(b"\r\n", start):
            start += 2
        elif octets.startswith(b"\n", start):
            start += 1
        else:
            break
    end = END_OF_HEAD.search(octets, start, start + MAX_HEAD_OCTETS)
    if end is None:
        if len(octets) - start >= MAX_HEAD_OCTETS:
            raise LimitError(what, 0, f"no end within {MAX_HEAD_OCTETS} octets")
        raise TruncatedError(what, len(octets), "the empty line that ends it has not come")
    lines = octets[start : end.start()].split(b"\n")
    if len(lines) > MAX_FIELDS + 1:
        raise LimitError(what, start, f"{len(lines) - 1} lines > {MAX_FIELDS}")
    start_line = lines[0].rstrip(b"\r")
    if not start_line:
        raise MalformedError(what, start, "no start line")
    return HttpHead(length=end.end(), start_line=start_line, fields=_fields(lines))


def _fields(lines: list[bytes]) -> tuple[tuple[bytes, bytes], ...]:
    fields: list[tuple[bytes, bytes]] = []
    for line in lines[1:]:
        if line[:1] in (b" ", b"\t"):  # obs-fold (RFC 9112 5.2)
            if fields:
                name, value = fields[-1]
                fields[-1] = name, value + b" " + line.strip(b" \t\r")
            continue
        name, colon, value = line.partition(b":")
        name = name.rstrip(b" \t")
        if colon and TOKEN.match(name):
            fields.append((name.lower(), value.strip(b" \t\r")))
    return tuple(fields)


def has_head_of_text(head: bytes) -> bool:
    """Whether octets can be the beginning of a head at all: nothing but text up to the first line's end."""
    line = head.split(b"\r", 1)[0].split(b"\n", 1)[0]
    return bool(line) and all(octet >= 0x20 or octet == 0x09 for octet in line)
