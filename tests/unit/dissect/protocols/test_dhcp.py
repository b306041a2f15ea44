"""
Vector: options of RFC 2132 and RFC 8520 section 10; field table: RFC 2131 figure 1; splitting: RFC 3396.

Oracle: scapy, which builds the same messages from field values.
"""

import ipaddress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.dhcp import BOOTP, DHCP

from auditor.addresses import NO_LINK, format_address, format_link
from auditor.dissect.protocols.dhcp import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

LAMP_LINK = b"\x02\x00\x00\x00\x00\x07"
COOKIE = bytes.fromhex("63825363")


def message(options, *, op=1, sname=b"", file=b"", hardware=b"\x01\x06", your=bytes(4), cookie=COOKIE):
    fixed = bytes([op]) + hardware + b"\x00" + b"\x12\x34\x56\x78" + bytes(4) + bytes(4) + your + bytes(8)
    return (
        fixed
        + LAMP_LINK.ljust(16, b"\0")
        + sname.ljust(64, b"\0")
        + file.ljust(128, b"\0")
        + cookie
        + options
    )


DISCOVER = message(vector("dhcp/dhcp-options-discover"))


def test_discover():
    found = parse_message(Cursor(DISCOVER))

    assert (found.message_type, found.is_reply, found.transaction) == (1, False, 0x12345678)
    assert format_link(found.client_link) == "02:00:00:00:00:07"
    assert (found.host_name, found.vendor_class) == ("lamp1", "LabLight")
    assert found.parameter_list == (1, 3, 6, 15)
    assert found.mud_url == "https://lighting.example.com/lamp1"
    assert found.client_identifier == bytes.fromhex("0102005e100001")
    assert found.client_address is found.your_address is found.relay_address is None
    assert found.length == len(DISCOVER)
    assert looks_like(DISCOVER[:64])


def test_every_truncation_is_reported():
    assert_every_truncation_is_reported(parse_message, DISCOVER, shortest_whole=236)
    for length in range(237, len(DISCOVER)):  # 236 octets alone are BOOTP without its vendor field
        with pytest.raises(TruncatedError):
            parse_message(Cursor(DISCOVER[:length]))


def test_message_without_options_is_plain_bootp():
    assert parse_message(Cursor(message(b"", cookie=b""))).message_type == 0
    assert parse_message(Cursor(message(bytes(60), cookie=bytes(4)))).message_type == 0


def test_parts_of_a_split_option_are_joined():
    """RFC 3396 section 5."""
    found = parse_message(Cursor(message(b"\x35\x01\x01\x0c\x03lam\x00\x0c\x01p\xff")))

    assert found.host_name == "lamp"


def test_options_go_on_in_overloaded_fields():
    """RFC 2132 section 9.3, RFC 3396 section 5: first file, then sname."""
    options = b"\x35\x01\x05\x34\x01\x03\x0c\x02la\xff"
    found = parse_message(
        Cursor(message(options, op=2, file=b"\x0c\x01m\xff", sname=b"\x0c\x01p\x03\x04\xc0\x00\x02\x01\xff"))
    )

    assert (found.host_name, found.is_reply) == ("lamp", True)
    assert [format_address(address) for address in found.routers] == ["192.0.2.1"]


def test_fields_are_no_options_without_overload():
    found = parse_message(Cursor(message(b"\x35\x01\x05\xff", op=2, file=b"\x0c\x04lamp\xff")))

    assert found.host_name is None


@pytest.mark.parametrize(
    ("option", "name"),
    [
        pytest.param(b"\x51\x07\x00\x00\x00lamp", "lamp", id="text"),
        pytest.param(b"\x51\x0f\x00\x00\x00lamp.example", "lamp", id="text-with-domain"),
        pytest.param(b"\x51\x11\x04\x00\x00\x04lamp\x07example\x00", "lamp", id="wire-format"),
        pytest.param(b"\x51\x03\x04\x00\x00", None, id="empty"),
        pytest.param(b"\x51\x07\x00\x00\x00lamp\x0c\x05shelf", "shelf", id="host-name-goes-first"),
        pytest.param(b"\x0c\x05lamp\x00", "lamp", id="final-nul"),
        pytest.param(b"\x0c\x05\x1b[31m", "\\027[31m", id="terminal-escape"),
    ],
)
def test_host_name(option, name):
    """RFC 2132 section 3.14; RFC 4702 section 2."""
    assert parse_message(Cursor(message(b"\x35\x01\x03" + option + b"\xff"))).host_name == name


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(message(b"\xff", op=3), MalformedError, "op", 0, id="no-operation"),
        pytest.param(
            message(b"\xff", hardware=b"\x01\x11"), MalformedError, "hlen", 2, id="seventeen-octets"
        ),
        pytest.param(message(b"\x35\x00\xff"), MalformedError, "message_type", 242, id="empty-type"),
        pytest.param(
            message(b"\x03\x05abcde\xff"), MalformedError, "routers", 242, id="five-octets-of-addresses"
        ),
        pytest.param(
            message(b"\x01\x04\xff\x00\xff\x00\xff"), MalformedError, "subnet_mask", 242, id="mask-with-hole"
        ),
        pytest.param(message(b"\x0c\xfflamp"), TruncatedError, "option_12", 242, id="length-past-end"),
        pytest.param(message(b"\x35\x01\x01"), TruncatedError, "options", 243, id="no-end"),
        pytest.param(message(bytes(300)), TruncatedError, "options", 540, id="padding-without-end"),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


def test_option_of_an_overloaded_field_does_not_reach_past_it():
    octets = message(b"\x35\x01\x05\x34\x01\x01\xff", file=bytes(125) + b"\x0c\x04l")

    with pytest.raises(TruncatedError):
        parse_message(Cursor(octets))


def test_address_of_another_link_type_is_not_one():
    assert parse_message(Cursor(message(b"\xff", hardware=b"\x20\x08"))).client_link == NO_LINK


@given(
    kind=st.sampled_from(["discover", "offer", "request", "ack", "nak", "release", "inform"]),
    your=st.ip_addresses(v=4),
    router=st.ip_addresses(v=4),
    resolvers=st.lists(st.ip_addresses(v=4), min_size=1, max_size=3),
    bits=st.integers(0, 32),
    lease=st.integers(0, 2**32 - 1),
    host=st.text("abcxyz-", min_size=1, max_size=20),
)
@settings(deadline=None)
def test_reads_what_another_library_wrote(kind, your, router, resolvers, bits, lease, host):
    mask = str(ipaddress.ip_network((0, bits)).netmask)
    options = [
        ("message-type", kind),
        ("server_id", "192.0.2.1"),
        ("router", str(router)),
        ("name_server", *map(str, resolvers)),
        ("subnet_mask", mask),
        ("lease_time", lease),
        ("hostname", host.encode()),
        "end",
    ]
    octets = bytes(
        BOOTP(op=2, chaddr=LAMP_LINK, xid=7, yiaddr=str(your), giaddr="0.0.0.0") / DHCP(options=options)
    )

    found = parse_message(Cursor(octets))

    kinds = {"discover": 1, "offer": 2, "request": 3, "ack": 5, "nak": 6, "release": 7, "inform": 8}
    assert found.message_type == kinds[kind]
    assert found.is_reply
    assert found.client_link == LAMP_LINK
    assert found.your_address is None if int(your) == 0 else format_address(found.your_address) == str(your)
    assert [format_address(address) for address in found.routers] == [str(router)]
    assert [format_address(address) for address in found.resolvers] == list(map(str, resolvers))
    assert (found.subnet_mask_length, found.lease_seconds, found.host_name) == (bits, lease, host)
    assert format_address(found.server_address) == "192.0.2.1"
    assert looks_like(octets[:64])


@given(damaged(DISCOVER, message(b"\x35\x01\x05\x34\x01\x03\x0c\x02la\xff", file=b"\x0c\x01m\xff")))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
    looks_like(octets[:64])
