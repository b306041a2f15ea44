"""
Messages: RFC 4861 section 4, RFC 4191 section 2.3, RFC 8106 section 5.
Oracle: scapy 2.8 (GPL-2.0-only) builds them.
"""

from ipaddress import IPv6Address

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet6 import (
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    ICMPv6ND_Redirect,
    ICMPv6ND_RS,
    ICMPv6NDOptDNSSL,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptMTU,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptRDNSS,
    ICMPv6NDOptRouteInfo,
    ICMPv6NDOptSrcLLAddr,
)

from auditor.addresses import format_address, format_link
from auditor.dissect.protocols.neighbour import looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)

LAMP, ROUTER = "02:00:00:00:53:02", "02:00:00:00:53:01"
ADVERTISEMENT = bytes(
    ICMPv6ND_RA(chlim=64, M=1, O=1, routerlifetime=1800)
    / ICMPv6NDOptSrcLLAddr(lladdr=ROUTER)
    / ICMPv6NDOptMTU(mtu=1492)
    / ICMPv6NDOptPrefixInfo(
        prefixlen=64, L=1, A=1, validlifetime=3600, preferredlifetime=1800, prefix="2001:db8:1::"
    )
    / ICMPv6NDOptRouteInfo(prefix="fd00:53::", plen=64)
    / ICMPv6NDOptRDNSS(dns=["2001:db8::53", "2001:db8::54"], lifetime=1200)
    / ICMPv6NDOptDNSSL(searchlist=["home.example.", "lamps.home.example."], lifetime=1200)
)


def parsed(octets):
    return parse_message(Cursor(octets))


def test_everything_that_a_router_offers():
    found = parsed(ADVERTISEMENT)

    assert (found.kind, found.router_lifetime_seconds, found.hop_limit) == ("router-advertisement", 1800, 64)
    assert (found.is_managed, found.has_other_configuration, found.mtu_octets) == (True, True, 1492)
    assert format_link(found.source_link) == ROUTER
    (prefix,) = found.prefixes
    assert (format_address(prefix.prefix), *prefix[1:]) == ("2001:db8:1::", 64, True, True, 3600, 1800)
    assert [(format_address(to), bits) for to, bits in found.routes] == [("fd00:53::", 64)]
    assert [format_address(address) for address in found.resolvers] == ["2001:db8::53", "2001:db8::54"]
    assert found.search_names == ("home.example", "lamps.home.example")
    assert found.unread_options == 0
    assert looks_like(ADVERTISEMENT[:64])


def test_resolvers_that_are_taken_back():
    """RFC 8106 5.1: a lifetime of zero."""
    octets = bytes(ICMPv6ND_RA(routerlifetime=0) / ICMPv6NDOptRDNSS(dns=["2001:db8::53"], lifetime=0))

    assert (parsed(octets).resolvers, parsed(octets).router_lifetime_seconds) == ((), 0)


@pytest.mark.parametrize(
    ("layers", "expected"),
    [
        pytest.param(
            ICMPv6ND_RS() / ICMPv6NDOptSrcLLAddr(lladdr=LAMP), {"kind": "router-solicitation"}, id="rs"
        ),
        pytest.param(
            ICMPv6ND_NS(tgt="2001:db8::7"),
            {"kind": "neighbour-solicitation", "target": "2001:db8::7", "is_router": None},
            id="ns",
        ),
        pytest.param(
            ICMPv6ND_NA(tgt="fe80::7", R=1, S=0) / ICMPv6NDOptDstLLAddr(lladdr=LAMP),
            {
                "kind": "neighbour-advertisement",
                "target": "fe80::7",
                "is_router": True,
                "is_solicited": False,
            },
            id="na",
        ),
        pytest.param(
            ICMPv6ND_Redirect(tgt="fe80::7", dst="2001:db8::9"),
            {"kind": "redirect", "target": "fe80::7", "destination": "2001:db8::9"},
            id="redirect",
        ),
    ],
)
def test_messages_another_library_built(layers, expected):
    found = parsed(bytes(layers))

    for key, value in expected.items():
        seen = getattr(found, key)
        assert (format_address(seen) if key in ("target", "destination") else seen) == value
    links = [format_link(link) for link in (found.source_link, found.target_link) if link]
    assert links == ([LAMP] if "02:" in repr(layers) else [])


def test_broken_option_is_counted():
    assert parsed(ADVERTISEMENT + b"\x03\x01" + bytes(6)).unread_options == 1
    assert parsed(ADVERTISEMENT + b"\x02\x02" + bytes(14)).unread_options == 1
    assert parsed(ADVERTISEMENT + b"\x19\x02" + bytes(14)).unread_options == 1


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "type", id="empty"),
        pytest.param(b"\x80" + bytes(7), MalformedError, "type", id="echo"),
        pytest.param(b"\x85\x01" + bytes(6), MalformedError, "code", id="code-1"),
        pytest.param(ADVERTISEMENT + b"\x01\x00" + bytes(6), MalformedError, "option_length", id="no-length"),
        pytest.param(ADVERTISEMENT + b"\x01\xff", TruncatedError, "option", id="255-words"),
        pytest.param(ADVERTISEMENT + b"\xfe\x01" * 4 * 150, LimitError, "options", id="150-options"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parsed(octets)

    assert info.value.field == field


def test_every_truncation_is_reported():
    octets = bytes(ICMPv6ND_NA(tgt="fe80::7"))
    assert_every_truncation_is_reported(parse_message, octets)
    # Options have no count: a message may end behind any of them, and nowhere else.
    for length in range(len(octets) + 1, len(octets) + 8):
        with pytest.raises(TruncatedError):
            parsed((octets + bytes(ICMPv6NDOptDstLLAddr(lladdr=LAMP)))[:length])


@given(
    st.lists(
        st.tuples(st.ip_addresses(v=6).map(str), st.integers(0, 128), st.integers(0, 2**32 - 1)), max_size=5
    )
)
@settings(deadline=None, max_examples=40)
def test_no_prefix_is_lost_or_made_up(prefixes):
    packet = ICMPv6ND_RA()
    for prefix, length, seconds in prefixes:
        packet = packet / ICMPv6NDOptPrefixInfo(prefix=prefix, prefixlen=length, validlifetime=seconds)

    found = parsed(bytes(packet)).prefixes

    assert [(str(IPv6Address(one.prefix)), one.length, one.valid_seconds) for one in found] == prefixes


@given(damaged(ADVERTISEMENT, bytes(ICMPv6ND_NS(tgt="fe80::7") / ICMPv6NDOptSrcLLAddr(lladdr=LAMP))))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
