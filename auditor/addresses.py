"""
Link addresses and internet addresses: text forms and what an address alone discloses.

An ``Address`` is sixteen octets in wire order; an IPv4 address stands in its
IPv4-mapped form (RFC 4291 section 2.5.5.2).  A ``LinkAddress`` is six octets.
"""

from __future__ import annotations

import ipaddress
from enum import StrEnum
from functools import lru_cache
from typing import NewType

Address = NewType("Address", bytes)
"""Sixteen octets, IPv4 as ``::ffff:a.b.c.d``."""

LinkAddress = NewType("LinkAddress", bytes)
"""Six octets (IEEE 802-2014 section 8)."""

IPV4_MAPPED_PREFIX = bytes(10) + b"\xff\xff"
BROADCAST_LINK = LinkAddress(b"\xff" * 6)
NO_LINK = LinkAddress(bytes(6))
"""Stands where a link type carries no link address."""

UNSPECIFIED = Address(bytes(16))

MAX_REMEMBERED = 1 << 14
"""Addresses of which kind and text are remembered, some MB: a recording names few and asks for each often."""


class AddressKind(StrEnum):
    """Where an address can be reached from, by its octets alone (RFC 6890 and the RFCs named below)."""

    UNSPECIFIED = "unspecified"
    LOOPBACK = "loopback"
    LINK_LOCAL = "link-local"  # RFC 3927, RFC 4291 2.5.6
    PRIVATE = "private"  # RFC 1918
    UNIQUE_LOCAL = "unique-local"  # RFC 4193
    SHARED = "shared"  # RFC 6598: between a provider's translator and the home router
    MULTICAST = "multicast"
    BROADCAST = "broadcast"
    GLOBAL = "global"


@lru_cache(MAX_REMEMBERED)
def parse_address(text: str) -> Address:
    """Read a textual IPv4 or IPv6 address; raises ``ValueError``."""
    return pack_address(ipaddress.ip_address(text))


def pack_address(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> Address:
    """Turn an address object of the standard library into sixteen octets."""
    if address.version == 4:
        return Address(IPV4_MAPPED_PREFIX + address.packed)
    return Address(address.packed)


def is_ipv4(address: Address) -> bool:
    """Whether the address is an IPv4 address in mapped form."""
    return address[:12] == IPV4_MAPPED_PREFIX


def family_of(address: Address) -> str:
    """``ipv4`` or ``ipv6``."""
    return "ipv4" if is_ipv4(address) else "ipv6"


@lru_cache(MAX_REMEMBERED)
def format_address(address: Address) -> str:
    """Text form: dotted quad, or RFC 5952."""
    if is_ipv4(address):
        return ".".join(map(str, address[12:]))
    return str(ipaddress.IPv6Address(bytes(address)))


def parse_link(text: str) -> LinkAddress:
    """Read six octets in hexadecimal, parted by ``:`` or ``-``; raises ``ValueError``."""
    parts = text.replace("-", ":").split(":")
    if len(parts) != 6 or not all(1 <= len(part) <= 2 for part in parts):
        raise ValueError(f"not a link address: {text!r}")
    return LinkAddress(bytes(int(part, 16) for part in parts))


@lru_cache(MAX_REMEMBERED)
def format_link(link: LinkAddress) -> str:
    """Text form: lower-case octets parted by colons (RFC 7042 2.1 writes hyphens; colons are usual)."""
    return bytes(link).hex(":")


def is_group_link(link: LinkAddress) -> bool:
    """Whether the address names a group, broadcast included: the I/G bit (IEEE 802-2014 section 8.2.2)."""
    return bool(link[0] & 0x01)


def is_locally_administered(link: LinkAddress) -> bool:
    """Whether the U/L bit says that no maker assigned the address (IEEE 802-2014 section 8.2.2)."""
    return bool(link[0] & 0x02)


@lru_cache(MAX_REMEMBERED)
def kind_of(address: Address) -> AddressKind:
    """
    Classify an address by its octets alone.

    Documentation ranges (RFC 5737, RFC 3849) count as global: recordings made
    for demonstration use them for the outside.
    """
    if is_ipv4(address):
        return _kind_of_ipv4(address[12], address[13], address[12:])
    if address == UNSPECIFIED:
        return AddressKind.UNSPECIFIED
    if address[:15] == bytes(15) and address[15] == 1:
        return AddressKind.LOOPBACK
    if address[0] == 0xFF:
        return AddressKind.MULTICAST
    if address[0] == 0xFE and address[1] & 0xC0 == 0x80:
        return AddressKind.LINK_LOCAL
    if address[0] & 0xFE == 0xFC:
        return AddressKind.UNIQUE_LOCAL
    return AddressKind.GLOBAL


def _kind_of_ipv4(first: int, second: int, octets: bytes) -> AddressKind:
    if octets == b"\xff\xff\xff\xff":
        return AddressKind.BROADCAST
    if octets == bytes(4):
        return AddressKind.UNSPECIFIED
    if 224 <= first <= 239:
        return AddressKind.MULTICAST
    if first == 127:
        return AddressKind.LOOPBACK
    if first == 169 and second == 254:
        return AddressKind.LINK_LOCAL
    if first == 10 or (first == 172 and 16 <= second <= 31) or (first == 192 and second == 168):
        return AddressKind.PRIVATE
    if first == 100 and 64 <= second <= 127:
        return AddressKind.SHARED
    return AddressKind.GLOBAL


HOME_KINDS = frozenset({AddressKind.PRIVATE, AddressKind.LINK_LOCAL, AddressKind.UNIQUE_LOCAL})
"""Kinds of addresses that only a host inside the home can have.  A global IPv6 address may be inside too."""


def interface_identifier_link(address: Address) -> LinkAddress | None:
    """
    The link address that an IPv6 interface identifier discloses, or None.

    Modified EUI-64 (RFC 4291 appendix A): ``ff:fe`` in the middle and the
    universal bit inverted.
    """
    if is_ipv4(address) or address[11:13] != b"\xff\xfe":
        return None
    return LinkAddress(bytes([address[8] ^ 0x02]) + bytes(address[9:11]) + bytes(address[13:16]))
