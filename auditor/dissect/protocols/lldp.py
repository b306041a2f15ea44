"""
LLDP: what a switch, router or controller says of itself on its link.

Standards: IEEE 802.1AB-2016 section 8 (from memory), RFC 8520 section 12 (MUD URL).
Reads:     the payload of frames of ethertype 0x88CC.
Keeps:     identifiers, names, capabilities, management addresses, the MUD URL.
"""

from __future__ import annotations

from auditor.addresses import IPV4_MAPPED_PREFIX, Address, LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import LimitError, MalformedError
from auditor.packets.batch import ETHERTYPE_LLDP
from auditor.value_class import value_class
from auditor.wire import Cursor

# 802.1AB-2016 table 8-1
(
    END,
    CHASSIS,
    PORT,
    TIME_TO_LIVE,
    PORT_DESCRIPTION,
    SYSTEM_NAME,
    SYSTEM_DESCRIPTION,
    CAPABILITIES,
    MANAGEMENT,
) = range(9)
ORGANISATION = 127
MANDATORY = ((CHASSIS, "chassis"), (PORT, "port"), (TIME_TO_LIVE, "time_to_live"))  # 8.2: in this order
SINGLE = frozenset(
    {CHASSIS, PORT, TIME_TO_LIVE, PORT_DESCRIPTION, SYSTEM_NAME, SYSTEM_DESCRIPTION, CAPABILITIES}
)
MUD = b"\x00\x00\x5e\x01"  # RFC 8520 section 12: organisation and subtype

# 8.5.2.2, 8.5.3.2: subtypes whose value is a link or an internet address
LINK_SUBTYPES = {CHASSIS: 4, PORT: 3}
ADDRESS_SUBTYPES = {CHASSIS: 5, PORT: 4}
FAMILIES = {1: 4, 2: 16}  # IANA address family numbers, and octets of an address

# Table 8-4, by bit
CAPABILITY_NAMES = ("other", "repeater", "bridge", "access-point", "router", "telephone", "docsis",
                    "station-only", "customer-bridge", "service-bridge", "relay")  # fmt: skip

MAX_ELEMENTS = 128
"""Elements of one frame; all that the standard and its annexes define are some forty."""


@value_class
class LldpAnnouncement(Message):
    """One frame; texts are printable, None where the element is absent."""

    chassis: str
    """Link address, internet address or name, as text."""
    chassis_link: LinkAddress | None
    port: str
    time_to_live_seconds: int
    """0: the sender goes away."""
    port_description: str | None
    system_name: str | None
    system_description: str | None
    """Often the full version of the software."""
    capabilities: tuple[str, ...]
    """What is enabled; names of table 8-4."""
    management_addresses: tuple[Address, ...]
    mud_url: str | None
    unread_elements: int
    """Elements whose content broke their type's format; the message stands without them."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins with a chassis element of 2 to 256 octets."""
    return len(head) >= 4 and head[0] >> 1 == CHASSIS and 2 <= (head[0] & 1) << 8 | head[1] <= 256


def parse_message(cursor: Cursor) -> LldpAnnouncement:
    """
    Parse one frame; what follows the end element is padding.

    Raises:
        DecodeError: a mandatory element is missing or broken, or an element passes the end of the frame.
    """
    length = cursor.remaining
    values = [_mandatory(cursor, kind, field) for kind, field in MANDATORY]
    single: dict[int, bytes] = {}
    management: list[Address] = []
    mud_url: str | None = None
    unread = 0
    for _ in range(MAX_ELEMENTS):
        if not cursor.remaining:
            break  # 802.1AB-2016 lets a receiver bear a missing end element
        kind, value = _element(cursor)
        if kind == END:
            break
        if kind in SINGLE:
            # 9.2.7.7.1: a second element of a kind is not defined; the first counts.
            unread += kind in single or kind <= TIME_TO_LIVE
            single.setdefault(kind, value)
        elif kind == MANAGEMENT:
            address = _management_address(value)
            if address is not None:
                management.append(address)
        elif kind == ORGANISATION and value.startswith(MUD):
            mud_url = mud_url or to_printable(value[len(MUD) :])
    else:
        raise LimitError("elements", cursor.offset, f"more than {MAX_ELEMENTS}")
    cursor.take(cursor.remaining, "padding")
    capabilities = single.get(CAPABILITIES)
    if capabilities is not None and len(capabilities) != 4:
        unread += 1
        capabilities = None
    chassis, port, _ = values
    return LldpAnnouncement(
        length=length,
        chassis=_identifier(CHASSIS, chassis),
        chassis_link=LinkAddress(chassis[1:]) if _is_link(CHASSIS, chassis) else None,
        port=_identifier(PORT, port),
        time_to_live_seconds=int.from_bytes(values[2][:2], "big"),
        port_description=_text(single.get(PORT_DESCRIPTION)),
        system_name=_text(single.get(SYSTEM_NAME)),
        system_description=_text(single.get(SYSTEM_DESCRIPTION)),
        capabilities=_capabilities(capabilities),
        management_addresses=tuple(management),
        mud_url=mud_url,
        unread_elements=unread,
    )


def _element(cursor: Cursor) -> tuple[int, bytes]:
    """Seven bits of type and nine of length (8.4)."""
    head = cursor.uint(2, "element_header")
    return head >> 9, cursor.take(head & 0x1FF, f"element_{head >> 9}")


def _mandatory(cursor: Cursor, wanted: int, field: str) -> bytes:
    start = cursor.offset
    kind, value = _element(cursor)
    if kind != wanted:
        raise MalformedError(field, start, f"element {kind} stands where {wanted} must")
    if len(value) < 2:  # subtype and an identifier of at least one octet; two octets of time
        raise MalformedError(field, start, f"{len(value)} octets")
    return value


def _is_link(kind: int, value: bytes) -> bool:
    return value[0] == LINK_SUBTYPES[kind] and len(value) == 7


def _identifier(kind: int, value: bytes) -> str:
    if _is_link(kind, value):
        return value[1:].hex(":")
    if value[0] == ADDRESS_SUBTYPES[kind] and FAMILIES.get(value[1]) == len(value) - 2:
        return ".".join(map(str, value[2:])) if value[1] == 1 else value[2:].hex(":", 2)
    return to_printable(value[1:])


def _management_address(value: bytes) -> Address | None:
    """8.5.9: length of family and address, family, address, and where it leads."""
    if len(value) < 2 or FAMILIES.get(value[1]) != value[0] - 1 or len(value) < 1 + value[0]:
        return None
    octets = value[2 : 1 + value[0]]
    return Address(IPV4_MAPPED_PREFIX + octets if len(octets) == 4 else octets)


def _capabilities(value: bytes | None) -> tuple[str, ...]:
    enabled = int.from_bytes(value[2:], "big") if value else 0
    return tuple(name for bit, name in enumerate(CAPABILITY_NAMES) if enabled >> bit & 1)


def _text(value: bytes | None) -> str | None:
    return None if value is None else to_printable(value)


DISSECTOR = Dissector(
    name="lldp",
    transport="ethernet",
    ports=frozenset({ETHERTYPE_LLDP}),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
