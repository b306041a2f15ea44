"""
The prefix-preserving property: Xu, Fan, Ammar, Moon, ICNP 2002, definition 1.

Kinds of addresses: the standard library's ipaddress module (RFC 6890).
"""

from __future__ import annotations

import ipaddress

from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import Address, LinkAddress, format_address, kind_of, pack_address, parse_address
from auditor.reduction.addresses import AddressPseudonyms

KEPT = [parse_address("192.168.77.20"), parse_address("fd00:77::20")]
MADE = AddressPseudonyms(b"a key", addresses=KEPT)
V4, V6 = (st.ip_addresses(v=version).map(pack_address) for version in (4, 6))


def unchanged(address: Address) -> bool:
    parsed = ipaddress.ip_address(format_address(address))
    return (
        parsed.is_multicast
        or parsed.is_loopback
        or parsed.is_unspecified
        or format_address(address) == "255.255.255.255"
    )


def shared(one: Address, other: Address) -> int:
    return 128 - (int.from_bytes(one) ^ int.from_bytes(other)).bit_length()


@given(st.one_of(st.tuples(V4, V4), st.tuples(V6, V6)), st.integers(0, 127))
def test_two_addresses_share_as_many_bits_as_before(pair, bits):
    one, other = pair
    mixed = Address(
        ((int.from_bytes(one) >> bits << bits) | (int.from_bytes(other) & ((1 << bits) - 1))).to_bytes(16)
    )
    for left, right in ((one, other), (one, mixed)):
        if not unchanged(left) and not unchanged(right):
            assert shared(MADE.address(left), MADE.address(right)) == shared(left, right)


@given(st.one_of(V4, V6))
def test_an_address_keeps_its_kind(address):
    assert kind_of(MADE.address(address)) is kind_of(address)


@given(st.one_of(V4, V6))
def test_no_other_address_becomes_a_kept_one(address):
    assert (MADE.address(address) in KEPT) == (address in KEPT)


@given(st.binary(min_size=6, max_size=6).map(LinkAddress))
def test_link_addresses_stay_groups_or_hosts(link):
    made = MADE.link(link)
    assert made[0] & 1 == link[0] & 1
    assert made[0] & 2 or made == link or link[0] & 1


def test_another_key_gives_other_pseudonyms():
    others = AddressPseudonyms(b"another key")
    addresses = [parse_address(f"198.51.100.{number}") for number in range(64)]
    assert [MADE.address(one) for one in addresses] != [others.address(one) for one in addresses]
