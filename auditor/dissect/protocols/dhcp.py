"""
DHCP for IPv4.

Standards: RFC 2131, RFC 2132, RFC 3442, RFC 8910 (114), RFC 8520 section 10 (161).
Reads:     UDP payload of ports 67 and 68.
Keeps:     names and identifiers; no other option values.
"""

from __future__ import annotations

from struct import Struct
from typing import NamedTuple

from auditor.addresses import IPV4_MAPPED_PREFIX, NO_LINK, Address, LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

BOOTPS = "bootps"  # IANA service name of port 67
PORTS = frozenset({67, 68})

# RFC 2131 section 2, figure 1
REQUEST = 1
REPLY = 2
ETHERNET = 1  # IANA hardware types
MAX_HARDWARE_OCTETS = 16  # octets of chaddr (RFC 2131 section 2)
SERVER_NAME = slice(44, 108)
FILE = slice(108, 236)
COOKIE_OFFSET = 236
COOKIE = b"\x63\x82\x53\x63"  # RFC 2131 section 3

# RFC 2132; RFC 4702 for 81, RFC 8520 section 10 for 161
PAD = 0
SUBNET_MASK = 1
ROUTERS = 3
RESOLVERS = 6
HOST_NAME = 12
TIME_SERVERS = 42
REQUESTED_ADDRESS = 50
LEASE_TIME = 51
OVERLOAD = 52
MESSAGE_TYPE = 53
SERVER_IDENTIFIER = 54
PARAMETER_LIST = 55
VENDOR_CLASS = 60
CLIENT_IDENTIFIER = 61
FULL_NAME = 81
MUD_URL = 161
END = 255

OVERLOAD_FILE = 1  # RFC 2132 9.3: which fields hold further options
OVERLOAD_SERVER_NAME = 2
NAME_IN_WIRE_FORMAT = 0x04  # RFC 4702 2.1, flag E

MAX_IDENTIFIER_OCTETS = 64  # kept of a client identifier: link addresses have 7, most DUIDs 19

_FIXED = Struct(">BBBBIHH4s4s4s4s16s").unpack_from
_FIXED_FIELDS = (  # where each ends, RFC 2131 figure 1
    (1, "op"),
    (2, "htype"),
    (3, "hlen"),
    (4, "hops"),
    (8, "xid"),
    (10, "secs"),
    (12, "flags"),
    (16, "ciaddr"),
    (20, "yiaddr"),
    (24, "siaddr"),
    (28, "giaddr"),
    (44, "chaddr"),
    (108, "sname"),
    (236, "file"),
)


@value_class
class DhcpMessage(Message):
    """One message; addresses are None where the field is all zero or absent."""

    message_type: int
    """Option 53: 1 DISCOVER, 2 OFFER, 3 REQUEST, 4 DECLINE, 5 ACK, 6 NAK, 7 RELEASE, 8 INFORM;
    0: plain BOOTP."""
    is_reply: bool
    transaction: int
    client_link: LinkAddress
    client_address: Address | None
    """ciaddr."""
    your_address: Address | None
    """yiaddr."""
    relay_address: Address | None
    """giaddr."""
    requested_address: Address | None
    """Option 50."""
    server_address: Address | None
    """Option 54."""
    host_name: str | None
    """Option 12, or the host part of option 81."""
    vendor_class: str | None
    """Option 60."""
    client_identifier: bytes | None
    """Option 61, at most 64 octets."""
    parameter_list: tuple[int, ...]
    """Option 55."""
    routers: tuple[Address, ...]
    """Option 3."""
    resolvers: tuple[Address, ...]
    """Option 6."""
    time_servers: tuple[Address, ...]
    """Option 42."""
    subnet_mask_length: int | None
    """Bits, from option 1."""
    lease_seconds: int | None
    """Option 51."""
    mud_url: str | None
    """Option 161."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins as a message does: known operation, address length, padding and flags."""
    return (
        len(head) >= 44
        and head[0] in (REQUEST, REPLY)
        and head[1] != 0
        and head[2] <= MAX_HARDWARE_OCTETS
        and head[3] <= 16  # RFC 1542 4.1.1: no message passes more relays
        and not head[10] & 0x7F  # RFC 2131 figure 2: all flags but the first must be zero
        and head[11] == 0
        and not any(head[28 + max(6, head[2]) : 44])
    )


def parse_message(cursor: Cursor) -> DhcpMessage:
    """
    Parse one message.

    Raises:
        DecodeError: the fixed part or the frame of the options is broken, or an
            option that we keep has a length that its standard forbids.
    """
    data = cursor.take(cursor.remaining, "message")
    if len(data) < COOKIE_OFFSET:
        field = next(field for end, field in _FIXED_FIELDS if end > len(data))
        raise TruncatedError(field, len(data), "the message ends here")
    op, hardware, hardware_octets, _, transaction, _, _, client, your, _, relay, link = _FIXED(data)
    if op not in (REQUEST, REPLY):
        raise MalformedError("op", 0, f"{op} is neither request nor reply")
    if hardware_octets > MAX_HARDWARE_OCTETS:
        raise MalformedError("hlen", 2, f"{hardware_octets} > {MAX_HARDWARE_OCTETS}")
    options = _options(data)
    return DhcpMessage(
        length=len(data),
        message_type=_number(options, MESSAGE_TYPE, 1, "message_type") or 0,
        is_reply=op == REPLY,
        transaction=transaction,
        client_link=LinkAddress(link[:6]) if hardware == ETHERNET and hardware_octets == 6 else NO_LINK,
        client_address=_address(client),
        your_address=_address(your),
        relay_address=_address(relay),
        requested_address=_first(_addresses(options, REQUESTED_ADDRESS, "requested_address")),
        server_address=_first(_addresses(options, SERVER_IDENTIFIER, "server_identifier")),
        host_name=_host_name(options),
        vendor_class=_text(options, VENDOR_CLASS),
        client_identifier=_identifier(options),
        parameter_list=tuple(options[PARAMETER_LIST].octets) if PARAMETER_LIST in options else (),
        routers=_addresses(options, ROUTERS, "routers"),
        resolvers=_addresses(options, RESOLVERS, "resolvers"),
        time_servers=_addresses(options, TIME_SERVERS, "time_servers"),
        subnet_mask_length=_mask_length(options),
        lease_seconds=_number(options, LEASE_TIME, 4, "lease_time"),
        mud_url=_text(options, MUD_URL),
    )


class _Option(NamedTuple):
    octets: bytes
    offset: int
    """Where the value's first part stood."""


_Options = dict[int, _Option]


def _options(data: bytes) -> _Options:
    """
    Gather the options; parts of one that is split stand in one value (RFC 3396 section 5).

    The order is the options field, then file, then sname.  BOOTP without the
    cookie has none.
    """
    found: _Options = {}
    if len(data) == COOKIE_OFFSET:
        return found
    cookie = data[COOKIE_OFFSET : COOKIE_OFFSET + 4]
    if cookie != COOKIE:
        if COOKIE.startswith(cookie):
            raise TruncatedError("cookie", len(data), "the message ends here")
        return found
    _read_options(data, COOKIE_OFFSET + 4, len(data), found)
    overload = _number(found, OVERLOAD, 1, "overload") or 0
    if overload & OVERLOAD_FILE:
        _read_field_options(data, FILE, found)
    if overload & OVERLOAD_SERVER_NAME:
        _read_field_options(data, SERVER_NAME, found)
    return found


def _read_options(data: bytes, offset: int, end: int, found: _Options) -> None:
    """Read up to the END option, which must be there (RFC 2131 4.1); each step consumes an octet."""
    while True:
        if offset >= end:
            raise TruncatedError("options", offset, "the END option is missing")
        code = data[offset]
        if code == END:
            return
        if code == PAD:
            offset += 1
            continue
        if offset + 1 >= end:
            raise TruncatedError("option_length", offset + 1, "the options end here")
        start = offset + 2
        offset = start + data[offset + 1]
        if offset > end:
            raise TruncatedError(
                f"option_{code}", start, f"needs {offset - start} octets, {end - start} remain"
            )
        before = found.get(code)
        part = data[start:offset]
        found[code] = _Option(part, start) if before is None else _Option(before.octets + part, before.offset)


def _read_field_options(data: bytes, field: slice, found: _Options) -> None:
    """Read options from an overloaded field, whose size is fixed: it may end without END."""
    _read_options(data[: field.stop] + bytes([END]), field.start, field.stop + 1, found)


def _number(options: _Options, code: int, size: int, field: str) -> int | None:
    option = options.get(code)
    if option is None:
        return None
    if len(option.octets) != size:
        raise MalformedError(field, option.offset, f"{len(option.octets)} octets, not {size}")
    return int.from_bytes(option.octets, "big")


def _addresses(options: _Options, code: int, field: str) -> tuple[Address, ...]:
    option = options.get(code)
    if option is None:
        return ()
    octets = option.octets
    if not octets or len(octets) % 4:
        raise MalformedError(field, option.offset, f"{len(octets)} octets are no list of addresses")
    return tuple(Address(IPV4_MAPPED_PREFIX + octets[at : at + 4]) for at in range(0, len(octets), 4))


def _first(addresses: tuple[Address, ...]) -> Address | None:
    return addresses[0] if addresses else None


def _address(octets: bytes) -> Address | None:
    return Address(IPV4_MAPPED_PREFIX + octets) if any(octets) else None


def _text(options: _Options, code: int) -> str | None:
    """Text of an option; some senders end it with NUL, which RFC 2132 section 2 tells receivers to bear."""
    option = options.get(code)
    return None if option is None else to_printable(option.octets.rstrip(b"\0"))


def _host_name(options: _Options) -> str | None:
    """Option 12, or else the first label of option 81 (RFC 4702 section 2)."""
    name = _text(options, HOST_NAME)
    option = options.get(FULL_NAME)
    if name or option is None:
        return name
    if len(option.octets) < 3:
        raise MalformedError("full_name", option.offset, f"{len(option.octets)} octets, at least 3")
    flags, full = option.octets[0], option.octets[3:]
    in_wire_format = flags & NAME_IN_WIRE_FORMAT
    first = full[1 : 1 + full[0]] if in_wire_format and full else full.partition(b".")[0]
    return to_printable(first.rstrip(b"\0")) or None


def _identifier(options: _Options) -> bytes | None:
    option = options.get(CLIENT_IDENTIFIER)
    return None if option is None else option.octets[:MAX_IDENTIFIER_OCTETS]


def _mask_length(options: _Options) -> int | None:
    mask = _number(options, SUBNET_MASK, 4, "subnet_mask")
    if mask is None:
        return None
    length = mask.bit_count()
    if mask != 0xFFFF_FFFF << (32 - length) & 0xFFFF_FFFF:
        raise MalformedError("subnet_mask", options[SUBNET_MASK].offset, "ones do not stand before zeros")
    return length


DISSECTOR = Dissector(
    name=BOOTPS,
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    # The cookie lies behind the first 64 octets, so the beginning alone is no proof.
    any_port=False,
)
