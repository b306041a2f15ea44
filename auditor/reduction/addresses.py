"""
Pseudonyms for addresses that keep prefixes: two addresses share as many leading bits as before.

Source: J. Xu, J. Fan, M. Ammar, S. Moon, "Prefix-Preserving IP Address Anonymization", ICNP 2002, section 3:
bit i of the result is bit i of the address, inverted where a pseudo-random function of the i bits before it
says so.  The function here is keyed BLAKE2b (RFC 7693).

Kept as they are: the chosen devices' addresses, groups, broadcast, loopback, the unspecified address, and the
blocks that give an address its kind.  No bit on the way to a kept address or block is inverted, so no other
address can become one of them.  A neighbour of a kept address therefore keeps the bits that both share.
"""

from __future__ import annotations

import hashlib
import ipaddress
from collections.abc import Iterable

from auditor.addresses import (
    Address,
    AddressKind,
    LinkAddress,
    interface_identifier_link,
    is_group_link,
    is_ipv4,
    kind_of,
)

MAX_KEPT = 4096
"""Addresses that stay as they are: those of the chosen devices and the groups and broadcasts they used."""

MAX_REMEMBERED = 65_536
"""Pseudonyms remembered, some megabytes; behind the bound they are worked out again."""

_BLOCKS = tuple(
    map(
        ipaddress.ip_network,
        (
            # RFC 1918, 6598, 3927, 1122, 5771, 1112 and 8190 (limited broadcast lies in 240/4)
            *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "169.254.0.0/16"),
            *("127.0.0.0/8", "0.0.0.0/8", "224.0.0.0/4", "240.0.0.0/4"),
            # RFC 4291 sections 2.5.6, 2.7, 2.4; RFC 4193; RFC 6052; RFC 4291 2.5.5.2
            *("fe80::/64", "fc00::/7", "ff00::/8", "2000::/3", "64:ff9b::/96", "::ffff:0:0/96", "::/96"),
        ),
    )
)
_UNCHANGED = frozenset(
    {AddressKind.MULTICAST, AddressKind.BROADCAST, AddressKind.UNSPECIFIED, AddressKind.LOOPBACK}
)
_SOLICITED_NODE = ipaddress.ip_address("ff02::1:ff00:0").packed[:13]  # RFC 4291 section 2.7.1
_SOLICITED_LINK = b"\x33\x33\xff"  # RFC 2464 section 7


class AddressPseudonyms:
    """One keyed mapping; the same key and the same kept addresses give the same pseudonyms."""

    def __init__(
        self, key: bytes, *, addresses: Iterable[Address] = (), links: Iterable[LinkAddress] = ()
    ) -> None:
        self._key = key[:64]
        self._kept = frozenset(list(addresses)[:MAX_KEPT])
        self._links = frozenset(links)
        self._fixed: dict[int, set[tuple[int, int]]] = {4: set(), 6: set()}
        for block in _BLOCKS:
            self._fix(block.version, int(block.network_address), block.prefixlen, block.max_prefixlen)
        for address in self._kept:
            self._fix(*self._number(address))
        self._suffixes = {bytes(address[13:]) for address in self._kept if not is_ipv4(address)}
        self._known: dict[Address, Address] = {}

    @staticmethod
    def _number(address: Address) -> tuple[int, int, int, int]:
        if is_ipv4(address):
            return 4, int.from_bytes(address[12:]), 32, 32
        return 6, int.from_bytes(address), 128, 128

    def _fix(self, version: int, number: int, length: int, bits: int) -> None:
        """Mark every node above a block: (bits before, their value)."""
        self._fixed[version] |= {(place, number >> (bits - place)) for place in range(length)}

    def address(self, address: Address) -> Address:
        """The pseudonym of an address; IPv4 stays IPv4."""
        if bytes(address[:13]) == _SOLICITED_NODE:
            return Address(bytes(address[:13]) + self._suffix(bytes(address[13:])))
        if address in self._kept or kind_of(address) in _UNCHANGED:
            return address
        known = self._known.get(address)
        if known is None:
            known = self._permute(address)
            if len(self._known) < MAX_REMEMBERED:
                self._known[address] = known
        return known

    def _permute(self, address: Address) -> Address:
        version, number, _, bits = self._number(address)
        fixed = self._fixed[version]
        flips = 0
        for place in range(bits):
            before = number >> (bits - place)
            flip = 0 if (place, before) in fixed else self._bit(version, place, before)
            flips = flips << 1 | flip
        changed = number ^ flips
        if version == 4:
            return Address(bytes(address[:12]) + changed.to_bytes(4))
        return Address(changed.to_bytes(16))

    def _bit(self, version: int, place: int, before: int) -> int:
        text = bytes([version, place]) + before.to_bytes(16)
        return hashlib.blake2b(text, key=self._key, digest_size=1, person=b"prefix").digest()[0] & 1

    def _suffix(self, octets: bytes) -> bytes:
        """Low 24 bits of an address, as groups of solicited nodes and their link addresses carry them."""
        if octets in self._suffixes:
            return octets
        return hashlib.blake2b(octets, key=self._key, digest_size=3, person=b"suffix").digest()

    def link(self, link: LinkAddress) -> LinkAddress:
        """The pseudonym of a link address: locally administered, so that it is no maker's."""
        if link in self._links or not any(link):
            return link
        if link[:3] == _SOLICITED_LINK:
            return LinkAddress(bytes(link[:3]) + self._suffix(bytes(link[3:])))
        if is_group_link(link):
            return link
        digest = hashlib.blake2b(link, key=self._key, digest_size=6, person=b"link").digest()
        return LinkAddress(bytes([digest[0] & 0xFC | 0x02]) + digest[1:])


def kept_links(links: Iterable[LinkAddress], addresses: Iterable[Address]) -> set[LinkAddress]:
    """Link addresses that stay: the devices' own, and those that their own addresses disclose."""
    inside = (interface_identifier_link(address) for address in addresses)
    return {*links, *(link for link in inside if link is not None)}
