"""
Text forms and kinds of addresses.

Sources: RFC 5952 section 4 (examples), RFC 4291 appendix A (EUI-64), RFC 6890 registries, IEEE 802-2014 section 8.2;
oracle: the standard library's ``ipaddress``.
"""

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import (
    AddressKind,
    LinkAddress,
    family_of,
    format_address,
    format_link,
    interface_identifier_link,
    is_group_link,
    is_locally_administered,
    kind_of,
    pack_address,
    parse_address,
    parse_link,
)


@given(st.ip_addresses())
def test_text_form_is_that_of_the_standard_library(address):
    packed = pack_address(address)

    assert len(packed) == 16
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
        return
    assert format_address(packed) == str(address)
    assert parse_address(format_address(packed)) == packed
    assert family_of(packed) == f"ipv{address.version}"


@pytest.mark.parametrize(
    ("text", "shortest"),
    [  # RFC 5952 sections 4.1, 4.2.2, 4.2.3, 4.3
        ("2001:0db8::0001", "2001:db8::1"),
        ("2001:db8:0:1:1:1:1:1", "2001:db8:0:1:1:1:1:1"),
        ("2001:0:0:1:0:0:0:1", "2001:0:0:1::1"),
        ("2001:DB8::A", "2001:db8::a"),
    ],
)
def test_rfc5952_examples(text, shortest):
    assert format_address(parse_address(text)) == shortest


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("0.0.0.0", AddressKind.UNSPECIFIED),
        ("127.0.0.1", AddressKind.LOOPBACK),
        ("169.254.3.4", AddressKind.LINK_LOCAL),
        ("10.0.0.1", AddressKind.PRIVATE),
        ("172.15.255.255", AddressKind.GLOBAL),
        ("172.16.0.0", AddressKind.PRIVATE),
        ("172.31.255.255", AddressKind.PRIVATE),
        ("172.32.0.0", AddressKind.GLOBAL),
        ("192.168.77.1", AddressKind.PRIVATE),
        ("100.63.255.255", AddressKind.GLOBAL),
        ("100.64.0.1", AddressKind.SHARED),
        ("239.255.0.1", AddressKind.MULTICAST),
        ("255.255.255.255", AddressKind.BROADCAST),
        ("192.0.2.53", AddressKind.GLOBAL),
        ("::", AddressKind.UNSPECIFIED),
        ("::1", AddressKind.LOOPBACK),
        ("fe80::1", AddressKind.LINK_LOCAL),
        ("febf::1", AddressKind.LINK_LOCAL),
        ("fec0::1", AddressKind.GLOBAL),
        ("fd00:77::1", AddressKind.UNIQUE_LOCAL),
        ("ff02::fb", AddressKind.MULTICAST),
        ("2001:db8::1", AddressKind.GLOBAL),
    ],
)
def test_kind(text, kind):
    assert kind_of(parse_address(text)) == kind


def test_interface_identifier_of_rfc4291_appendix_a():
    # The appendix's example link address 34-56-78-9A-BC-DE gives 3656:78ff:fe9a:bcde.
    address = parse_address("fe80::3656:78ff:fe9a:bcde")

    assert interface_identifier_link(address) == parse_link("34-56-78-9A-BC-DE")
    assert interface_identifier_link(parse_address("fe80::1")) is None
    assert interface_identifier_link(parse_address("192.168.77.1")) is None


def test_address_bits():
    # The first octet's two low bits, IEEE 802-2014 section 8.2.2.
    assert is_locally_administered(parse_link("ca:5f:00:00:00:01"))
    assert not is_locally_administered(parse_link("00:00:5e:00:53:01"))
    assert is_group_link(parse_link("01:00:5e:00:00:fb"))
    assert is_group_link(LinkAddress(b"\xff" * 6))
    assert not is_group_link(parse_link("02:00:5e:10:00:01"))


@pytest.mark.parametrize(
    "text", ["", "02:00", "02:00:5e:10:00:zz", "02:00:5e:10:00:01:02", "0200.5e10.0001", "02::5e:1:0:1"]
)
def test_what_is_no_link_address_is_refused(text):
    with pytest.raises(ValueError):
        parse_link(text)


@given(st.binary(min_size=6, max_size=6))
def test_link_text_reads_back(octets):
    assert parse_link(format_link(LinkAddress(octets))) == octets
