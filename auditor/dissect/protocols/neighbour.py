"""
Neighbour discovery: who has an address, which router is there, which prefixes and resolvers it offers.

Standards: RFC 4861 section 4, RFC 4191 section 2 (routes), RFC 8106 section 5
           (resolvers).
Reads:     ICMPv6 messages of types 133 to 137.
Keeps:     everything but unknown options.
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.dns_name import Names, read_name
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# RFC 4861 section 4; octets before the options
KINDS = {133: "router-solicitation", 134: "router-advertisement", 135: "neighbour-solicitation",
         136: "neighbour-advertisement", 137: "redirect"}  # fmt: skip
FIXED_OCTETS = {133: 8, 134: 16, 135: 24, 136: 24, 137: 40}

# Flags of a router advertisement (4.2), a neighbour advertisement (4.4) and a prefix (4.6.2)
MANAGED, OTHER = 0x80, 0x40
ROUTER, SOLICITED, OVERRIDE = 0x80, 0x40, 0x20
ON_LINK, AUTONOMOUS = 0x80, 0x40

SOURCE_LINK, TARGET_LINK, PREFIX, MTU, ROUTE, RESOLVERS, SEARCH_LIST = 1, 2, 3, 5, 24, 25, 31

MAX_OPTIONS = 128
"""Of one message; each has eight octets or more, and a router offers a handful of prefixes."""


class OfferedPrefix(NamedTuple):
    """A prefix information option (4.6.2)."""

    prefix: Address
    length: int
    """Bits."""
    is_on_link: bool
    is_autonomous: bool
    """Hosts make addresses of it themselves (SLAAC)."""
    valid_seconds: int
    """0xffffffff: for ever."""
    preferred_seconds: int


@value_class
class NeighbourMessage(Message):
    """One message; fields that its kind has not are None or empty."""

    kind: str
    """``router-solicitation``, ``router-advertisement``, ``neighbour-solicitation``,
    ``neighbour-advertisement``, ``redirect``."""
    target: Address | None = None
    """Neighbour messages: the address asked for or told of (asked for by the unspecified address: the sender
    is about to take it, RFC 4862 5.4.2); redirect: the better first hop."""
    destination: Address | None = None
    """Redirect: for which destination."""
    source_link: LinkAddress | None = None
    """Option 1."""
    target_link: LinkAddress | None = None
    """Option 2."""
    is_router: bool | None = None
    """Neighbour advertisement: the sender is a router."""
    is_solicited: bool | None = None
    router_lifetime_seconds: int | None = None
    """Router advertisement; 0: no default router."""
    is_managed: bool | None = None
    """Router advertisement: addresses come from DHCPv6."""
    has_other_configuration: bool | None = None
    """Router advertisement: other things come from DHCPv6."""
    hop_limit: int | None = None
    prefixes: tuple[OfferedPrefix, ...] = ()
    resolvers: tuple[Address, ...] = ()
    """RFC 8106, with a lifetime that is not over."""
    search_names: tuple[str, ...] = ()
    routes: tuple[tuple[Address, int], ...] = ()
    """RFC 4191: prefix and its length in bits; a border router to a mesh of lights announces some."""
    mtu_octets: int | None = None
    unread_options: int = 0
    """Options whose content broke their type's format."""


def looks_like(head: bytes) -> bool:
    """Whether an ICMPv6 message that begins with ``head`` is worth parsing: type, and the code 0."""
    return len(head) >= 8 and head[0] in KINDS and head[1] == 0


def parse_message(cursor: Cursor) -> NeighbourMessage:
    """
    Parse one message; its checksum covers addresses that are not part of it, so it is not looked at.

    Raises:
        DecodeError: another type or code, or an option of no length or past the end.
    """
    data = cursor.take(cursor.remaining, "message")
    if not data:
        raise TruncatedError("type", 0, "needs 1 octet, 0 remain")
    number = data[0]
    kind = KINDS.get(number)
    if kind is None:
        raise MalformedError("type", 0, f"{number}")
    start = FIXED_OCTETS[number]
    if len(data) < start:
        raise TruncatedError("fixed_fields", len(data), f"needs {start} octets")
    if data[1]:
        raise MalformedError("code", 1, f"{data[1]}")
    options = _Options()
    options.read(data, start)
    advertises_router, tells = number == 134, number == 136
    return NeighbourMessage(
        length=len(data),
        kind=kind,
        target=Address(data[8:24]) if number >= 135 else None,
        destination=Address(data[24:40]) if number == 137 else None,
        source_link=options.source_link,
        target_link=options.target_link,
        is_router=bool(data[4] & ROUTER) if tells else None,
        is_solicited=bool(data[4] & SOLICITED) if tells else None,
        router_lifetime_seconds=int.from_bytes(data[6:8], "big") if advertises_router else None,
        is_managed=bool(data[5] & MANAGED) if advertises_router else None,
        has_other_configuration=bool(data[5] & OTHER) if advertises_router else None,
        hop_limit=data[4] if advertises_router else None,
        prefixes=tuple(options.prefixes),
        resolvers=tuple(options.resolvers),
        search_names=tuple(options.search_names),
        routes=tuple(options.routes),
        mtu_octets=options.mtu_octets,
        unread_options=options.unread,
    )


class _Options:
    """Options of one message (4.6)."""

    def __init__(self) -> None:
        self.source_link: LinkAddress | None = None
        self.target_link: LinkAddress | None = None
        self.prefixes: list[OfferedPrefix] = []
        self.resolvers: list[Address] = []
        self.search_names: list[str] = []
        self.routes: list[tuple[Address, int]] = []
        self.mtu_octets: int | None = None
        self.unread = 0

    def read(self, data: bytes, offset: int) -> None:
        """Read all; each step passes over eight octets or more."""
        for _ in range(MAX_OPTIONS):
            if offset == len(data):
                return
            if offset + 2 > len(data):
                raise TruncatedError("option_length", offset + 1, "the message ends here")
            length = 8 * data[offset + 1]
            if not length:
                raise MalformedError("option_length", offset + 1, "0 (RFC 4861 4.6: to be discarded)")
            if offset + length > len(data):
                raise TruncatedError("option", offset, f"needs {length} octets, {len(data) - offset} remain")
            try:
                self._option(data[offset], data[offset : offset + length])
            except DecodeError:
                self.unread += 1
            offset += length
        if offset < len(data):
            raise LimitError("options", offset, f"more than {MAX_OPTIONS}")

    def _option(self, kind: int, option: bytes) -> None:
        if kind == SOURCE_LINK:
            self.source_link = self.source_link or _link(option)
        elif kind == TARGET_LINK:
            self.target_link = self.target_link or _link(option)
        elif kind == PREFIX:
            self.prefixes.append(_prefix(option))
        elif kind == MTU:
            self.mtu_octets = int.from_bytes(option[4:8], "big")
        elif kind == ROUTE:
            self.routes.append(_route(option))
        elif kind == RESOLVERS:
            self.resolvers.extend(_resolvers(option))
        elif kind == SEARCH_LIST:
            self.search_names.extend(_search_names(option))


def _link(option: bytes) -> LinkAddress:
    if len(option) != 8:
        raise MalformedError("link_address", 0, f"option of {len(option)} octets")
    return LinkAddress(option[2:8])


def _prefix(option: bytes) -> OfferedPrefix:
    if len(option) != 32 or option[2] > 128:
        raise MalformedError("prefix", 0, f"option of {len(option)} octets")
    return OfferedPrefix(
        prefix=Address(option[16:32]),
        length=option[2],
        is_on_link=bool(option[3] & ON_LINK),
        is_autonomous=bool(option[3] & AUTONOMOUS),
        valid_seconds=int.from_bytes(option[4:8], "big"),
        preferred_seconds=int.from_bytes(option[8:12], "big"),
    )


def _route(option: bytes) -> tuple[Address, int]:
    """RFC 4191 2.3: as many octets of the prefix as its length needs."""
    length = option[2]
    if len(option) > 24 or length > 8 * (len(option) - 8):
        raise MalformedError("route", 0, f"{length} bits in an option of {len(option)} octets")
    return Address(option[8:].ljust(16, b"\0")), length


def _resolvers(option: bytes) -> list[Address]:
    """RFC 8106 5.1; a lifetime of zero takes the resolvers back."""
    if len(option) < 24 or len(option) % 16 != 8:
        raise MalformedError("resolvers", 0, f"option of {len(option)} octets")
    if not any(option[4:8]):
        return []
    return [Address(option[at : at + 16]) for at in range(8, len(option), 16)]


def _search_names(option: bytes) -> list[str]:
    """RFC 8106 5.2: names without compression, filled up with zeros."""
    found, offset = [], 8
    names: Names = {}
    while offset < len(option) and option[offset]:  # each turn passes over two octets or more
        name, offset = read_name(option, offset, names, "search_name")
        found.append(name)
    return found


DISSECTOR = Dissector(
    name="neighbour",
    transport="icmpv6",
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
