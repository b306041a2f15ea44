"""
Messages: RFC 8415 sections 8, 9, 11 and 21, RFC 3646, RFC 4704, RFC 8520 section 10.
Oracle: scapy 2.8 (GPL-2.0-only) builds them.
"""

import uuid
from ipaddress import IPv6Address

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.dhcp6 import (
    DUID_EN,
    DUID_LL,
    DUID_LLT,
    DUID_UUID,
    VENDOR_CLASS_DATA,
    DHCP6_Advertise,
    DHCP6_InfoRequest,
    DHCP6_RelayForward,
    DHCP6_Reply,
    DHCP6_Request,
    DHCP6_Solicit,
    DHCP6OptClientFQDN,
    DHCP6OptClientId,
    DHCP6OptDNSDomains,
    DHCP6OptDNSServers,
    DHCP6OptElapsedTime,
    DHCP6OptIA_NA,
    DHCP6OptIA_PD,
    DHCP6OptIAAddress,
    DHCP6OptIAPrefix,
    DHCP6OptOptReq,
    DHCP6OptRelayMsg,
    DHCP6OptServerId,
    DHCP6OptStatusCode,
    DHCP6OptUnknown,
    DHCP6OptVendorClass,
)

from auditor.addresses import format_address, format_link
from auditor.dissect.protocols.dhcpv6 import looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged

LAMP, ROUTER = "02:00:00:00:53:02", "02:00:00:00:53:01"
SOLICIT = bytes(
    DHCP6_Solicit(trid=0x123456)
    / DHCP6OptClientId(duid=DUID_LLT(lladdr=LAMP, timeval=7))
    / DHCP6OptOptReq(reqopts=[23, 24])
    / DHCP6OptElapsedTime()
    / DHCP6OptIA_NA(iaid=7)
    / DHCP6OptClientFQDN(fqdn="lamp.home.example.")
    / DHCP6OptVendorClass(enterprisenum=32473, vcdata=[VENDOR_CLASS_DATA(data=b"lamp 2")])
    / DHCP6OptUnknown(optcode=112, data=b"https://maker.example/lamp.json")
)
REPLY = bytes(
    DHCP6_Reply(trid=0x123456)
    / DHCP6OptServerId(duid=DUID_LL(lladdr=ROUTER))
    / DHCP6OptClientId(duid=DUID_LL(lladdr=LAMP))
    / DHCP6OptIA_NA(
        iaid=7,
        ianaopts=[
            DHCP6OptIAAddress(addr="2001:db8:1::7", preflft=60, validlft=90)
            / DHCP6OptStatusCode(statuscode=0, statusmsg=b"ok")
        ],
    )
    / DHCP6OptDNSServers(dnsservers=["2001:db8::53"])
    / DHCP6OptDNSDomains(dnsdomains=["home.example."])
)


def parsed(octets):
    return parse_message(Cursor(octets))


def addresses(values):
    return [format_address(value) for value in values]


def test_what_a_client_says_of_itself():
    found = parsed(SOLICIT)

    assert (found.kind, found.transaction, found.is_from_server) == ("solicit", 0x123456, False)
    assert format_link(found.client_link) == LAMP
    assert found.host_name == "lamp.home.example"
    # 32473: the enterprise number of RFC 5612, for documentation.
    assert (found.enterprise, found.vendor_classes) == (32473, ("lamp 2",))
    assert found.mud_url == "https://maker.example/lamp.json"
    assert found.option_requests == (23, 24)
    assert looks_like(SOLICIT[:64])


def test_what_a_server_gives():
    found = parsed(REPLY)

    assert (found.kind, found.is_from_server, found.status_code) == ("reply", True, 0)
    assert addresses(found.addresses) == ["2001:db8:1::7"]
    assert addresses(found.resolvers) == ["2001:db8::53"]
    assert found.search_names == ("home.example",)
    assert found.server_identifier == bytes(DUID_LL(lladdr=ROUTER))
    assert looks_like(REPLY[:64])


def test_delegated_prefix():
    octets = bytes(
        DHCP6_Advertise() / DHCP6OptIA_PD(iapdopt=[DHCP6OptIAPrefix(prefix="2001:db8:5::", plen=56)])
    )

    ((prefix, bits),) = parsed(octets).delegated_prefixes
    assert (format_address(prefix), bits) == ("2001:db8:5::", 56)


@pytest.mark.parametrize(
    ("duid", "link"),
    [
        pytest.param(DUID_LLT(lladdr=LAMP), LAMP, id="link-and-time"),
        pytest.param(DUID_LL(lladdr=LAMP), LAMP, id="link"),
        pytest.param(DUID_LL(hwtype=27, lladdr=LAMP), None, id="other-hardware"),
        pytest.param(DUID_EN(enterprisenum=32473, id=b"12345678"), None, id="enterprise"),
        pytest.param(DUID_UUID(uuid=uuid.UUID(int=7)), None, id="uuid"),
    ],
)
def test_link_address_inside_the_identifier(duid, link):
    found = parsed(bytes(DHCP6_InfoRequest() / DHCP6OptClientId(duid=duid)))

    assert found.client_identifier == bytes(duid)
    assert (format_link(found.client_link) if found.client_link else None) == link


def test_message_that_relays_wrapped_up():
    inner = DHCP6_RelayForward(peeraddr="fe80::7") / DHCP6OptRelayMsg(message=DHCP6_Solicit(SOLICIT))
    octets = bytes(DHCP6_RelayForward(peeraddr="fe80::8") / DHCP6OptRelayMsg(message=inner))

    found = parsed(octets)

    assert (found.kind, found.relays, found.host_name) == ("solicit", 2, "lamp.home.example")
    assert format_address(found.peer) == "fe80::7"
    assert found.length == len(octets)
    assert looks_like(octets[:64])


def test_partial_name():
    """RFC 4704 4.2: a name that is not fully qualified has no root behind it."""
    octets = bytes(DHCP6_Request()) + b"\x00\x27\x00\x06\x00\x04lamp"

    assert parsed(octets).host_name == "lamp"


def relayed(times):
    octets = bytes(DHCP6_Solicit())
    for _ in range(times):
        octets = b"\x0c" + bytes(33) + b"\x00\x09" + len(octets).to_bytes(2, "big") + octets
    return octets


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "type", id="empty"),
        pytest.param(b"\x0e" + bytes(8), MalformedError, "type", id="type-14"),
        pytest.param(b"\x01abc\x00\x01\xff\xff", TruncatedError, "option_1", id="65535-octets"),
        pytest.param(b"\x01abc\x00\x01\x00\x02ab", MalformedError, "identifier", id="identifier-of-two"),
        pytest.param(b"\x01abc\x00\x03\x00\x04abcd", TruncatedError, "association", id="association-of-four"),
        pytest.param(b"\x01abc\x00\x17\x00\x04abcd", TruncatedError, "resolver", id="resolver-of-four"),
        pytest.param(
            b"\x01abc\x00\x27\x00\x04\x00\xc0\x00a", MalformedError, "full_name", id="pointer-in-a-name"
        ),
        pytest.param(b"\x01abc" + b"\x00\x63\x00\x00" * 300, LimitError, "options", id="300-options"),
        pytest.param(relayed(9), LimitError, "relays", id="nine-relays"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parsed(octets)

    assert info.value.field == field


def test_a_message_ends_behind_an_option_or_nowhere():
    ends = {4}
    while max(ends) < len(SOLICIT):
        at = max(ends)
        ends.add(at + 4 + int.from_bytes(SOLICIT[at + 2 : at + 4], "big"))
    for length in range(len(SOLICIT)):
        if length in ends:
            parsed(SOLICIT[:length])
        else:
            with pytest.raises(TruncatedError):
                parsed(SOLICIT[:length])


@given(
    st.lists(st.ip_addresses(v=6).map(str), max_size=4),
    st.lists(st.ip_addresses(v=6).map(str), max_size=4),
    st.integers(0, 2**24 - 1),
)
@settings(deadline=None, max_examples=40)
def test_no_address_is_lost_or_made_up(given_addresses, resolvers, transaction):
    packet = DHCP6_Reply(trid=transaction) / DHCP6OptIA_NA(
        ianaopts=[DHCP6OptIAAddress(addr=address) for address in given_addresses]
    )
    found = parsed(bytes(packet / DHCP6OptDNSServers(dnsservers=resolvers)))

    assert found.transaction == transaction
    assert [str(IPv6Address(address)) for address in found.addresses] == given_addresses
    assert [str(IPv6Address(address)) for address in found.resolvers] == resolvers


@given(damaged(SOLICIT, REPLY, relayed(3)))
@settings(deadline=None)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
