"""
DHCP for IPv6.

Standards: RFC 8415 sections 7.3, 8, 9, 11 and 21; RFC 3646 (resolvers), RFC 4704
           (names), RFC 8520 section 10 (MUD URL).
Reads:     UDP payload of ports 546 and 547, also what relays wrapped up.
Keeps:     names, identifiers and addresses; no other option values.
"""

from __future__ import annotations

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.dns_name import Names, read_name
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import DecodeError, LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({546, 547})  # IANA service names: dhcpv6-client, dhcpv6-server

# RFC 8415 section 7.3
KINDS = {1: "solicit", 2: "advertise", 3: "request", 4: "confirm", 5: "renew", 6: "rebind", 7: "reply",
         8: "release", 9: "decline", 10: "reconfigure", 11: "information-request", 12: "relay-forward",
         13: "relay-reply"}  # fmt: skip
RELAYED = (12, 13)
FROM_SERVER = frozenset({"advertise", "reply", "reconfigure"})
HEADER_OCTETS, RELAY_HEADER_OCTETS = 4, 34
MAX_RELAYS = 8  # HOP_COUNT_LIMIT, 7.6

# Section 21 by number; RFC 3646 for 23 and 24, RFC 4704 for 39, RFC 8520 for 112
CLIENT, SERVER, NON_TEMPORARY, TEMPORARY, ADDRESS, OPTION_REQUEST = 1, 2, 3, 4, 5, 6
RELAY_MESSAGE, STATUS, VENDOR_CLASS, RESOLVERS, SEARCH_LIST = 9, 13, 16, 23, 24
DELEGATION, DELEGATED_PREFIX, FULL_NAME, MUD_URL = 25, 26, 39, 112
MAX_OPTION = 256  # only for a first look: numbers in use stay below (IANA, DHCPv6 option codes)
MAX_OPTION_OCTETS = 1_500  # only for a first look: what one frame holds
MAX_HOPS = 32  # what servers before RFC 8415 limited hops to (RFC 3315 5.5)

# Identity associations: octets before their options (21.4, 21.5, 21.21)
ASSOCIATIONS = {NON_TEMPORARY: 12, TEMPORARY: 4, DELEGATION: 12}

# Sections 11.2 and 11.4: kinds of identifiers that hold a link address, and where it begins
LINK_OFFSETS = {1: 8, 3: 4}  # link address and time, link address
ETHERNET = 1  # IANA hardware types

MAX_OPTIONS = 256  # in one message with its associations; real ones have some twenty
MAX_IDENTIFIER_OCTETS = 130  # 11.1: type and at most 128 octets


@value_class
class Dhcpv6Message(Message):
    """One message; of one that relays wrapped up, what the client or server said."""

    kind: str
    """``solicit``, ``request``, ``reply`` …; ``relay-forward`` or ``relay-reply`` where nothing is inside."""
    is_from_server: bool
    transaction: int | None
    """24 bits; None: a relay's own message."""
    relays: int
    """How many wrapped it up."""
    peer: Address | None
    """Relayed: the client's address as the first relay saw it."""
    client_identifier: bytes | None
    """DUID."""
    client_link: LinkAddress | None
    """Link address inside the client's DUID, if it is of a kind that holds one."""
    server_identifier: bytes | None
    host_name: str | None
    """Option 39, all labels."""
    vendor_classes: tuple[str, ...]
    """Option 16: each field, printable."""
    enterprise: int | None
    """IANA private enterprise number of option 16."""
    option_requests: tuple[int, ...]
    addresses: tuple[Address, ...]
    """Asked for, given, renewed or released."""
    delegated_prefixes: tuple[tuple[Address, int], ...]
    """Prefix and its length in bits."""
    resolvers: tuple[Address, ...]
    search_names: tuple[str, ...]
    status_code: int | None
    """Of the message or the first association that tells one; 0: success."""
    mud_url: str | None


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins as a message does, with an option in use behind the header."""
    if len(head) < HEADER_OCTETS or head[0] not in KINDS:
        return False
    start = RELAY_HEADER_OCTETS if head[0] in RELAYED else HEADER_OCTETS
    if len(head) < start + 4 or (head[0] in RELAYED and head[1] > MAX_HOPS):
        return False
    option, length = int.from_bytes(head[start : start + 2], "big"), head[start + 2] << 8 | head[start + 3]
    return 0 < option < MAX_OPTION and length <= MAX_OPTION_OCTETS


def parse_message(cursor: Cursor) -> Dhcpv6Message:
    """
    Parse one message.

    Raises:
        DecodeError: an unknown type, an option past the end of what holds it, or an option
            that we keep with a content that its standard forbids.
    """
    length = cursor.remaining
    relays = 0
    peer: Address | None = None
    while True:  # each turn goes into an option of the message before
        start = cursor.offset
        number = cursor.uint(1, "type")
        kind = KINDS.get(number)
        if kind is None:
            raise MalformedError("type", start, f"{number}")
        transaction: int | None = None
        if number not in RELAYED:
            transaction = cursor.uint(3, "transaction")
            found = _Options()
            found.read(cursor)
            break
        relays += 1
        if relays > MAX_RELAYS:
            raise LimitError("relays", start, f"more than {MAX_RELAYS}")
        cursor.take(17, "hop_count_and_link_address")
        peer = Address(cursor.take(16, "peer_address"))
        found = _Options()
        found.read(cursor)
        if found.relayed is None:
            break
        cursor = found.relayed
    return Dhcpv6Message(
        length=length,
        kind=kind,
        is_from_server=kind in FROM_SERVER or kind == "relay-reply",
        transaction=transaction,
        relays=relays,
        peer=peer,
        client_identifier=found.client,
        client_link=_link_of(found.client),
        server_identifier=found.server,
        host_name=found.host_name,
        vendor_classes=tuple(found.vendor_classes),
        enterprise=found.enterprise,
        option_requests=tuple(found.requests),
        addresses=tuple(found.addresses),
        delegated_prefixes=tuple(found.prefixes),
        resolvers=tuple(found.resolvers),
        search_names=tuple(found.search_names),
        status_code=found.status,
        mud_url=found.mud_url,
    )


class _Options:
    """Options of one message (21.1)."""

    def __init__(self) -> None:
        self.count = 0
        self.relayed: Cursor | None = None
        self.client: bytes | None = None
        self.server: bytes | None = None
        self.host_name: str | None = None
        self.vendor_classes: list[str] = []
        self.enterprise: int | None = None
        self.requests: list[int] = []
        self.addresses: list[Address] = []
        self.prefixes: list[tuple[Address, int]] = []
        self.resolvers: list[Address] = []
        self.search_names: list[str] = []
        self.status: int | None = None
        self.mud_url: str | None = None

    def read(self, cursor: Cursor) -> None:
        """Read all, with those inside associations, which hold addresses, which hold a status."""
        waiting = [cursor]
        while waiting:
            block = waiting.pop()
            while block.remaining:
                self.count += 1
                if self.count > MAX_OPTIONS:
                    raise LimitError("options", block.offset, f"more than {MAX_OPTIONS}")
                code = block.uint(2, "option_code")
                content = block.block(block.uint(2, "option_length"), f"option_{code}")
                inner = self._option(code, content)
                if inner is not None:
                    waiting.append(inner)

    def _option(self, code: int, content: Cursor) -> Cursor | None:
        """Keep one; gives back the options that stand inside it."""
        if code in ASSOCIATIONS:
            content.take(ASSOCIATIONS[code], "association")
            return content
        if code == ADDRESS:
            self.addresses.append(Address(content.take(16, "address")))
            content.take(8, "lifetimes")
            return content
        if code == DELEGATED_PREFIX:
            content.take(8, "lifetimes")
            length = content.uint(1, "prefix_length")
            self.prefixes.append((Address(content.take(16, "prefix")), length))
            return content
        self._keep(code, content)
        return None

    def _keep(self, code: int, content: Cursor) -> None:
        if code == CLIENT:
            self.client = self.client or _identifier(content)
        elif code == SERVER:
            self.server = self.server or _identifier(content)
        elif code == OPTION_REQUEST:
            while content.remaining:
                self.requests.append(content.uint(2, "option_request"))
        elif code == RELAY_MESSAGE:
            self.relayed = self.relayed or content
        elif code == STATUS:
            status = content.uint(2, "status_code")
            self.status = status if self.status is None else self.status
        elif code == VENDOR_CLASS:
            self.enterprise = content.uint(4, "enterprise")
            while content.remaining:
                field = content.take(content.uint(2, "vendor_class_length"), "vendor_class")
                self.vendor_classes.append(to_printable(field))
        elif code == RESOLVERS:
            while content.remaining:
                self.resolvers.append(Address(content.take(16, "resolver")))
        elif code == SEARCH_LIST:
            self.search_names.extend(_names(content, "search_name"))
        elif code == FULL_NAME:
            content.uint(1, "name_flags")
            self.host_name = self.host_name or next(iter(_names(content, "full_name")), None)
        elif code == MUD_URL:
            self.mud_url = self.mud_url or to_printable(content.take(content.remaining, "mud_url"))


def _identifier(content: Cursor) -> bytes:
    start = content.offset
    octets = content.take(content.remaining, "identifier")
    if not 3 <= len(octets) <= MAX_IDENTIFIER_OCTETS:
        raise MalformedError("identifier", start, f"{len(octets)} octets")
    return octets


def _link_of(identifier: bytes | None) -> LinkAddress | None:
    if identifier is None:
        return None
    kind, hardware = int.from_bytes(identifier[:2], "big"), int.from_bytes(identifier[2:4], "big")
    link = identifier[LINK_OFFSETS.get(kind, len(identifier)) :]
    return LinkAddress(link) if hardware == ETHERNET and len(link) == 6 else None


def _names(content: Cursor, field: str) -> list[str]:
    """Names (section 10); the last label of a partial one has no root behind it (RFC 4704 4.2)."""
    base = content.offset
    octets = content.take(content.remaining, field)
    found: list[str] = []
    names: Names = {}
    offset = 0
    padded = octets + b"\0"  # ends a partial name
    while offset < len(octets):  # each turn passes over an octet or more
        try:
            name, offset = read_name(padded, offset, names, field)
        except DecodeError as error:
            raise MalformedError(field, base + min(error.offset, len(octets)), error.problem) from None
        if name:
            found.append(name)
    return found


DISSECTOR = Dissector(
    name="dhcpv6",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    # Four octets and the number of an option are no proof.
    any_port=False,
)
