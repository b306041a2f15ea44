"""
Names of NetBIOS over UDP.

Standards: RFC 1001 section 14.1 (names), RFC 1002 sections 4.1 and 4.2 (packets).
Reads:     UDP payload of port 137.
Keeps:     names with their kind, addresses, the link address of a node's status.
"""

from __future__ import annotations

from struct import Struct
from typing import NamedTuple

from auditor.addresses import IPV4_MAPPED_PREFIX, Address, LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.dns_name import Names, read_name
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({137})  # IANA service name: netbios-ns
HEADER_OCTETS = 12
ENCODED_CHARACTERS, NAME_OCTETS = 32, 16  # RFC 1001 14.1: each octet is two letters from A to P
LETTERS = frozenset("ABCDEFGHIJKLMNOP")

# RFC 1002 4.2.1.1; 9 is what some senders take for a refresh (there too)
KINDS = {0: "query", 5: "registration", 6: "release", 7: "wait", 8: "refresh", 9: "refresh"}
RESPONSE, OPERATION, BROADCAST, CODE = 0x8000, 0xF, 0x0010, 0xF

TYPE_NAME, TYPE_STATUS = 0x0020, 0x0021  # 4.2.1.3
GROUP = 0x8000  # 4.2.13, bit G
STATUS_NAME_OCTETS = 18  # 4.2.18

MAX_RECORDS = 16  # all packets of 4.2 have at most one of each section
MAX_ADDRESSES = 64  # of one name; a group's members are listed

_HEADER = Struct(">6H").unpack_from
_QUESTION = Struct(">HH").unpack_from
_RECORD = Struct(">HHIH").unpack_from


class NetbiosName(NamedTuple):
    """One name."""

    name: str
    """At most fifteen characters, without the spaces that fill it up."""
    kind: int
    """Sixteenth octet: 0x00 workstation, 0x20 file service, 0x1B and 0x1C a domain's (common practice)."""
    scope: str
    """Most often empty."""


@value_class
class NetbiosNameMessage(Message):
    """One packet."""

    kind: str
    """``query``, ``registration``, ``release``, ``wait``, ``refresh``."""
    identifier: int
    is_response: bool
    is_broadcast: bool
    """Sent to everybody, not to a name server."""
    response_code: int
    """0: positive (4.2.6 and others)."""
    names: tuple[NetbiosName, ...]
    """Asked for, registered, released or answered for."""
    is_status: bool
    """A node's status is asked for or told."""
    addresses: tuple[Address, ...] = ()
    is_group: bool = False
    """The name belongs to several."""
    status_names: tuple[NetbiosName, ...] = ()
    """Of a node's status: all that it answers to."""
    unit_link: LinkAddress | None = None
    """Of a node's status: its link address."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins as a packet does: a known operation, and an encoded name behind the header."""
    if len(head) < HEADER_OCTETS + 2 + ENCODED_CHARACTERS:
        return False
    flags = head[2] << 8 | head[3]
    begin = HEADER_OCTETS
    return (
        (flags >> 11 & OPERATION) in KINDS
        and not flags & 0x0060  # 4.2.1.1: two bits are zero
        and head[begin] == ENCODED_CHARACTERS
        and all(0x41 <= octet <= 0x50 for octet in head[begin + 1 : begin + 1 + ENCODED_CHARACTERS])
    )


def parse_message(cursor: Cursor) -> NetbiosNameMessage:
    """
    Parse one packet; octets behind the last record are passed over.

    Raises:
        DecodeError: the packet ends inside a field, or a name or record breaks its format.
    """
    data = cursor.take(cursor.remaining, "packet")
    if len(data) < HEADER_OCTETS:
        raise TruncatedError("header", len(data), f"needs {HEADER_OCTETS} octets")
    identifier, flags, questions, *counts = _HEADER(data)
    kind = KINDS.get(flags >> 11 & OPERATION)
    if kind is None:
        raise MalformedError("operation", 2, f"{flags >> 11 & OPERATION}")
    if questions + sum(counts) > MAX_RECORDS:
        raise LimitError("header", 4, f"{questions + sum(counts)} questions and records > {MAX_RECORDS}")
    found = _Found()
    names: Names = {}
    offset = HEADER_OCTETS
    for _ in range(questions):
        name, offset = _read_name(data, offset, names)
        if offset + 4 > len(data):
            raise TruncatedError("question_type", offset, f"needs 4 octets, {len(data) - offset} remain")
        found.add_name(name, _QUESTION(data, offset)[0])
        offset += 4
    for _ in range(sum(counts)):
        name, offset = _read_name(data, offset, names)
        if offset + 10 > len(data):
            raise TruncatedError("record_header", offset, f"needs 10 octets, {len(data) - offset} remain")
        record_type, _, _, length = _RECORD(data, offset)
        offset += 10
        if offset + length > len(data):
            raise TruncatedError(
                "record_content", offset, f"needs {length} octets, {len(data) - offset} remain"
            )
        found.add_name(name, record_type)
        if record_type == TYPE_NAME:
            found.read_addresses(data, offset, length)
        elif record_type == TYPE_STATUS:
            found.read_status(data, offset, offset + length)
        offset += length
    return NetbiosNameMessage(
        length=len(data),
        kind=kind,
        identifier=identifier,
        is_response=bool(flags & RESPONSE),
        is_broadcast=bool(flags & BROADCAST),
        response_code=flags & CODE,
        names=tuple(found.names),
        is_status=found.is_status,
        addresses=tuple(found.addresses),
        is_group=found.is_group,
        status_names=tuple(found.status_names),
        unit_link=found.unit_link,
    )


class _Found:
    """What the sections of one packet hold together."""

    def __init__(self) -> None:
        self.names: dict[NetbiosName, None] = {}
        self.is_status = False
        self.addresses: list[Address] = []
        self.is_group = False
        self.status_names: list[NetbiosName] = []
        self.unit_link: LinkAddress | None = None

    def add_name(self, name: NetbiosName, record_type: int) -> None:
        self.names.setdefault(name)
        self.is_status |= record_type == TYPE_STATUS

    def read_addresses(self, data: bytes, start: int, length: int) -> None:
        """4.2.2 and 4.2.13: flags and address, repeated; an answer of "wait" has two octets instead."""
        if length % 6:
            if length == 2:
                return
            raise MalformedError("addresses", start, f"{length} octets are no list")
        if length // 6 > MAX_ADDRESSES:
            raise LimitError("addresses", start, f"{length // 6} > {MAX_ADDRESSES}")
        for at in range(start, start + length, 6):
            self.is_group |= bool(int.from_bytes(data[at : at + 2], "big") & GROUP)
            if any(data[at + 2 : at + 6]):
                self.addresses.append(Address(IPV4_MAPPED_PREFIX + data[at + 2 : at + 6]))

    def read_status(self, data: bytes, start: int, end: int) -> None:
        """4.2.18: a count, names with flags, and statistics that begin with the link address."""
        if start >= end:
            raise TruncatedError("status_count", start, "the record ends here")
        count = data[start]
        names_end = start + 1 + STATUS_NAME_OCTETS * count
        if names_end > end:
            raise TruncatedError("status_names", start, f"{count} names, {end - start - 1} octets")
        for at in range(start + 1, names_end, STATUS_NAME_OCTETS):
            self.status_names.append(_decoded(data[at : at + NAME_OCTETS], ""))
        link = data[names_end : min(end, names_end + 6)]
        if len(link) == 6 and any(link):
            self.unit_link = LinkAddress(link)


def _read_name(data: bytes, offset: int, names: Names) -> tuple[NetbiosName, int]:
    text, after = read_name(data, offset, names, "name")
    first, _, scope = text.partition(".")
    if len(first) != ENCODED_CHARACTERS or not LETTERS.issuperset(first):
        raise MalformedError("name", offset, "no name in letters from A to P")
    pairs = zip(first[::2], first[1::2], strict=True)
    return _decoded(bytes((ord(high) - 0x41) << 4 | (ord(low) - 0x41) for high, low in pairs), scope), after


def _decoded(octets: bytes, scope: str) -> NetbiosName:
    # A query for all names is "*" filled up with zeros (RFC 1002 4.2.17).
    return NetbiosName(to_printable(octets[:15].rstrip(b" \0")), octets[15], scope)


DISSECTOR = Dissector(
    name="netbios-ns",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    # Nobody speaks it elsewhere, and every look at other datagrams costs.
    any_port=False,
)
