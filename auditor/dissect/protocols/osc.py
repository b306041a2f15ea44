"""
Open Sound Control: methods called by address, alone or in bundles.

Standard: OSC 1.0 specification (packets, bundles, type tags, patterns); OSC 1.1 for SLIP over streams,
          from memory; RFC 1055.
Reads:    UDP payload, and TCP streams framed by a 32-bit length (1.0) or by SLIP (1.1).
Keeps:    address patterns and type tags; no arguments but secrets, as sighted.

OSC has no port of its own and no login.  What a method does is the receiver's
own; only the words of its address tell.  Not claimed: packets without type tags
(older senders) that stand in no bundle, and streams framed by a length whose
opening was not recorded.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.secrets import is_plausible, kind_of_field
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

BUNDLE = b"#bundle\0"
BUNDLE_HEADER_OCTETS = 16  # with the time tag
MIN_PACKET_OCTETS = 8  # an address of one character, type tags of none

MAX_NESTING = 64  # bundles open at once; senders nest one or two, deeper ones are attacks
MAX_ADDRESSES = 64  # different ones kept of a packet; a surface of many faders sends a few dozen
MAX_SECRETS = 16  # of one packet; a set-up sends a few
MAX_PACKET_OCTETS = 60_000  # over a stream; it must be in memory at once, and UDP carries hardly more

HEAD_OCTETS = 64  # contract of Dissector.looks_like
MIN_TELLING_OCTETS = 12  # with a length and a slash: seven more of an address; dispatch waits for 16

# Names are printable ASCII without space and "#"; the other reserved characters make patterns.
ADDRESS = re.compile(rb"/[\x21\x22\x24-\x7e]*")

FOUR_OCTETS = b"ifcrm"
EIGHT_OCTETS = b"htd"
STRINGS = b"sS"
BLOB = ord("b")
NO_OCTETS = b"TFNI[]"

# SLIP (RFC 1055)
END, ESCAPE, ESCAPED_END, ESCAPED_ESCAPE = b"\xc0", b"\xdb", b"\xdc", b"\xdd"
ENDS = re.compile(rb"\xc0*")


@value_class
class OscPacket(Message):
    """One packet: a message, or a bundle with all that is in it."""

    addresses: tuple[str, ...]
    """Address patterns, each once, in order of appearance; at most ``MAX_ADDRESSES``."""
    type_tags: tuple[str | None, ...]
    """Of the first message to each address, without the comma; None: sent without."""
    messages: int
    bundles: int
    framing: str
    """``datagram``, ``length``, ``slip``."""
    has_unknown_types: bool = False
    """An argument of a type outside the specification: what follows it in its message was passed over."""
    secrets: tuple[SightedSecret, ...] = ()


class _Found:
    """What one packet holds."""

    __slots__ = ("addresses", "bundles", "has_unknown_types", "messages", "secrets")

    def __init__(self) -> None:
        self.addresses: dict[str, str | None] = {}
        self.messages = 0
        self.bundles = 0
        self.has_unknown_types = False
        self.secrets: list[SightedSecret] = []


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing."""
    first = head[:1]
    if first == b"/":
        return _begins_a_message(head, is_partial=len(head) == HEAD_OCTETS)
    return first == b"#" and head.startswith(BUNDLE) and len(head) >= BUNDLE_HEADER_OCTETS


def looks_like_stream(head: bytes) -> bool:
    """
    Whether a stream that begins with ``head`` is worth parsing.

    Few octets may have come yet; then those that are there must be right, and
    enough to tell.
    """
    if head[:1] == END:
        content = head.lstrip(END)
    elif head[:2] == b"\0\0":
        length = int.from_bytes(head[:4], "big")
        if length % 4 or not MIN_PACKET_OCTETS <= length <= MAX_PACKET_OCTETS:
            return False
        content = head[4 : 4 + length]
    else:
        return False
    if content[:1] == b"#":
        return content.startswith(BUNDLE)
    return content[:1] == b"/" and _begins_a_message(content, is_partial=len(head) >= MIN_TELLING_OCTETS)


def _begins_a_message(head: bytes, *, is_partial: bool) -> bool:
    """Whether an address pattern and type tags stand here; ``is_partial``: as far as the octets go."""
    match = ADDRESS.match(head)
    end = match.end() if match is not None else 0
    after = end // 4 * 4 + 4
    if head[end:after].strip(b"\0"):
        return False
    return head[after : after + 1] == b"," or (is_partial and after >= len(head))


def parse_datagram(cursor: Cursor) -> OscPacket:
    """
    Parse one datagram.

    Raises:
        DecodeError: not a packet, one with an element or argument that passes its
            end, or one that nests too deep.
    """
    data = cursor.take(cursor.remaining, "packet")
    return _packet(data, len(data), "datagram")


def parse_stream(cursor: Cursor, _from_client: bool, _conversation: Conversation) -> OscPacket | PassedOver:
    """
    Parse the packet at the cursor; each tells by its first octet how it is framed.

    Raises:
        DecodeError: as ``parse_datagram``; ``TruncatedError`` also where the packet
            is not there as a whole yet.
    """
    first = cursor.uint(1, "packet")
    # OSC 1.1 puts END before and behind each packet; where two share one, the second begins with itself.
    if first in b"\xc0/#":
        return _slip_packet(bytes([first]) + cursor.take(cursor.remaining, "packet"))
    length = first << 24 | cursor.uint(3, "length")
    if length % 4 or length < MIN_PACKET_OCTETS:
        raise MalformedError("length", 0, f"{length} is no length of a packet")
    if length > MAX_PACKET_OCTETS:
        raise LimitError("length", 0, f"{length} > {MAX_PACKET_OCTETS}")
    return _packet(cursor.take(length, "packet"), 4 + length, "length")


def _slip_packet(data: bytes) -> OscPacket | PassedOver:
    ends = ENDS.match(data)
    start = ends.end() if ends is not None else 0
    if start == len(data):
        return PassedOver(length=start)
    end = data.find(END, start)
    if (end if end >= 0 else len(data)) - start > 2 * MAX_PACKET_OCTETS:
        raise LimitError("packet", start, f"more than {MAX_PACKET_OCTETS} octets")
    if end < 0:
        raise TruncatedError("packet", start, "no END yet")
    return _packet(_unescape(data[start:end]), end + 1, "slip")


def _unescape(octets: bytes) -> bytes:
    """Octets without the escapes of SLIP."""
    first, *rest = octets.split(ESCAPE)
    parts = [first]
    at = len(first)
    for part in rest:
        if part[:1] == ESCAPED_END:
            parts.append(END)
        elif part[:1] == ESCAPED_ESCAPE:
            parts.append(ESCAPE)
        else:
            raise MalformedError("escape", at, "followed by neither of its two octets")
        parts.append(part[1:])
        at += 1 + len(part)
    return b"".join(parts)


def _packet(data: bytes, length: int, framing: str) -> OscPacket:
    """Read a packet; bundles are opened one after the other, never by recursion."""
    found = _Found()
    ends: list[int] = []  # where each open bundle ends, the innermost last
    at, end = 0, len(data)
    while True:
        if data.startswith(BUNDLE, at, end):
            if end - at < BUNDLE_HEADER_OCTETS:
                raise TruncatedError("time_tag", at + 8, f"needs 8 octets, {end - at - 8} remain")
            if len(ends) >= MAX_NESTING:
                raise LimitError("bundle", at, f"more than {MAX_NESTING} inside each other")
            found.bundles += 1
            ends.append(end)
            at += BUNDLE_HEADER_OCTETS
        else:
            _message(data, at, end, found)
            at = end
        while ends and at == ends[-1]:
            ends.pop()
        if not ends:
            break
        if ends[-1] - at < 4:
            raise TruncatedError("element_size", at, f"needs 4 octets, {ends[-1] - at} remain")
        size = int.from_bytes(data[at : at + 4], "big")
        if not size or size % 4:
            raise MalformedError("element_size", at, f"{size} is no size of an element")
        at += 4
        if size > ends[-1] - at:
            raise TruncatedError("element", at, f"needs {size} octets, {ends[-1] - at} remain")
        end = at + size
    return OscPacket(
        length=length,
        addresses=tuple(found.addresses),
        type_tags=tuple(found.addresses.values()),
        messages=found.messages,
        bundles=found.bundles,
        framing=framing,
        has_unknown_types=found.has_unknown_types,
        secrets=tuple(found.secrets),
    )


def _message(data: bytes, start: int, end: int, found: _Found) -> None:
    address, at = _string(data, start, end, "address_pattern")
    if not ADDRESS.fullmatch(address):
        raise MalformedError("address_pattern", start, "not a slash and printable ASCII")
    tags: bytes | None = None
    if at < end:
        tags, after = _string(data, at, end, "type_tags")
        if tags.startswith(b","):
            tags = tags[1:]
            _arguments(data, after, end, address, tags, found)
        else:
            tags = None  # an older sender: what its arguments are, only the receiver knows
    found.messages += 1
    name = address.decode("ascii")
    if name not in found.addresses and len(found.addresses) < MAX_ADDRESSES:
        found.addresses[name] = None if tags is None else tags.decode("ascii", "backslashreplace")


def _arguments(data: bytes, at: int, end: int, address: bytes, tags: bytes, found: _Found) -> None:
    """Go along the arguments: they must fill the message."""
    secret_name: str | None = None
    if tags[:1] == b"s":
        secret_name = address.rpartition(b"/")[2].decode("ascii")
    for tag in tags:
        octets = 0
        if tag in FOUR_OCTETS:
            octets = 4
        elif tag in EIGHT_OCTETS:
            octets = 8
        elif tag in STRINGS:
            text, after = _string(data, at, end, "string")
            if secret_name is not None:
                _sight(secret_name, text, found)
                secret_name = None
            octets = after - at
        elif tag == BLOB:
            if end - at < 4:
                raise TruncatedError("blob_size", at, f"needs 4 octets, {end - at} remain")
            octets = 4 + (int.from_bytes(data[at : at + 4], "big") + 3) // 4 * 4
        elif tag not in NO_OCTETS:
            found.has_unknown_types = True
            return
        if octets > end - at:
            raise TruncatedError("argument", at, f"needs {octets} octets, {end - at} remain")
        at += octets
    if at < end:
        raise MalformedError("arguments", at, f"{end - at} octets left over")


def _sight(name: str, value: bytes, found: _Found) -> None:
    """Note the first argument of a method whose name promises a secret."""
    kind = kind_of_field(name)
    if kind is not None and len(found.secrets) < MAX_SECRETS and is_plausible(kind, name, value):
        found.secrets.append(SightedSecret(kind=kind, place="osc-argument", field=name, secret=Secret(value)))


def _string(data: bytes, at: int, end: int, field: str) -> tuple[bytes, int]:
    """A string and where its padding to four octets ends."""
    stop = data.find(0, at, end)
    after = at + ((stop - at) // 4 + 1) * 4
    if stop < 0 or after > end:
        raise TruncatedError(field, at, "the packet ends before the string does")
    if any(data[stop:after]):
        raise MalformedError(field, stop, "padded with octets other than 0")
    return data[at:stop], after


DISSECTORS = (
    Dissector(
        name="osc",
        transport="udp",
        ports=frozenset(),
        looks_like=looks_like,
        parse_datagram=parse_datagram,
    ),
    Dissector(
        name="osc",
        transport="tcp",
        ports=frozenset(),
        looks_like=looks_like_stream,
        parse_stream=parse_stream,
        # Not the two octets 0 of a length: too much else begins so, and each makes packets worth a look.
        beginnings=(b"\xc0/", b"\xc0#"),
    ),
)
