"""
Frames: IEEE 802.11-2016 sections 9.3.3, 9.4.1 and 9.4.2.  Oracle: scapy 2.8
(GPL-2.0-only) builds them, and reads the names and suites back.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.dot11 import (
    AKMSuite,
    Dot11,
    Dot11AssoReq,
    Dot11AssoResp,
    Dot11Auth,
    Dot11Beacon,
    Dot11Deauth,
    Dot11Disas,
    Dot11Elt,
    Dot11EltDSSSet,
    Dot11EltMicrosoftWPA,
    Dot11EltRSN,
    Dot11ProbeReq,
    Dot11ProbeResp,
    RadioTap,
    RSNCipherSuite,
)

from auditor.addresses import format_link
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.wireless import looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.packets.frames import decode

ACCESS_POINT, LAMP, ANY = "02:00:00:00:53:01", "02:00:00:00:53:02", "ff:ff:ff:ff:ff:ff"


def frame(subtype, body, *, source=ACCESS_POINT, target=ANY, cell=ACCESS_POINT, flags=0):
    return bytes(Dot11(type=0, subtype=subtype, FCfield=flags, addr1=target, addr2=source, addr3=cell) / body)


def ssid(name=b"lamp-setup"):
    return Dot11Elt(ID=0, info=name)


def rsn(*managements, required=0, capable=0):
    return Dot11EltRSN(
        group_cipher_suite=RSNCipherSuite(cipher=4),
        pairwise_cipher_suites=[RSNCipherSuite(cipher=4)],
        akm_suites=[AKMSuite(suite=number) for number in managements],
        mfp_required=required,
        mfp_capable=capable,
    )


def beacon(*elements, privacy=True):
    body = Dot11Beacon(cap="privacy" if privacy else "ESS")
    for element in (ssid(), *elements):
        body = body / element
    return frame(8, body)


def parsed(octets):
    return parse_message(Cursor(octets))


@pytest.mark.parametrize(
    ("octets", "protection"),
    [
        pytest.param(beacon(privacy=False), "open", id="open"),
        pytest.param(beacon(), "wep", id="privacy-alone"),
        pytest.param(beacon(Dot11EltMicrosoftWPA()), "wpa", id="the-element-before-rsn"),
        pytest.param(beacon(rsn(2)), "wpa2", id="psk"),
        pytest.param(beacon(rsn(1)), "wpa2", id="802.1x"),
        pytest.param(beacon(rsn(8)), "wpa3", id="sae"),
        pytest.param(beacon(rsn(2, 8)), "wpa2-wpa3", id="psk-and-sae"),
        pytest.param(beacon(rsn(18)), "owe", id="opportunistic"),
        pytest.param(beacon(rsn(200)), "rsn", id="unknown-suite"),
    ],
)
def test_protection_of_a_network(octets, protection):
    found = parsed(octets)

    assert (found.kind, found.network_name, found.protection) == ("beacon", "lamp-setup", protection)
    assert format_link(found.basic_service_set) == ACCESS_POINT
    assert looks_like(octets[:64])
    assert found.length == len(octets)


def test_suites_and_channel_are_named():
    found = parsed(beacon(Dot11EltDSSSet(channel=6), rsn(2, 6, required=1, capable=1))).elements

    assert found.key_managements == ("psk", "psk-sha256")
    assert (found.pairwise_ciphers, found.group_cipher) == (("ccmp-128",), "ccmp-128")
    assert (found.management_protection, found.channel) == ("required", 6)
    assert parsed(beacon(rsn(2, capable=1))).elements.management_protection == "offered"
    assert parsed(beacon(rsn(2))).elements.management_protection == "none"


def test_open_network_with_an_encrypted_twin_and_joining_by_button():
    """RFC 8110 section 5 for the first element; the other is common practice."""
    twin = Dot11Elt(ID=221, info=b"\x50\x6f\x9a\x1c" + bytes(8))
    button = Dot11Elt(ID=221, info=b"\x00\x50\xf2\x04\x10\x4a\x00\x01\x10")

    found = parsed(beacon(twin, button, privacy=False)).elements

    assert found.has_opportunistic_pair
    assert found.has_simple_configuration


@pytest.mark.parametrize("name", [b"", bytes(10)], ids=["empty", "zeros"])
def test_withheld_name(name):
    assert parsed(frame(8, Dot11Beacon() / ssid(name))).network_name == ""


def test_hostile_name_is_one_printable_line():
    name = parsed(frame(8, Dot11Beacon() / ssid(b"\x1b[2J<b>\xe2\x80\xae\n"))).network_name

    assert name.isprintable()
    assert name.startswith("\\027[2J<b>")


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        pytest.param(
            frame(4, Dot11ProbeReq() / ssid(b"home"), source=LAMP, cell=ANY),
            {"kind": "probe-request", "network_name": "home", "protection": None},
            id="search",
        ),
        pytest.param(
            frame(5, Dot11ProbeResp(cap="ESS") / ssid(b"home"), target=LAMP),
            {"kind": "probe-response", "network_name": "home", "protection": "open"},
            id="answer-to-a-search",
        ),
        pytest.param(
            frame(0, Dot11AssoReq(cap="privacy") / ssid(b"home") / rsn(8), source=LAMP, target=ACCESS_POINT),
            {"kind": "association-request", "network_name": "home", "protection": "wpa3"},
            id="joins",
        ),
        pytest.param(
            frame(1, Dot11AssoResp(status=17), target=LAMP),
            {"kind": "association-response", "status_code": 17},
            id="is-refused",
        ),
        pytest.param(
            frame(11, Dot11Auth(algo=3, seqnum=1, status=0), source=LAMP, target=ACCESS_POINT),
            {"kind": "authentication", "algorithm": "sae", "sequence": 1, "status_code": 0},
            id="authenticates",
        ),
        pytest.param(
            frame(12, Dot11Deauth(reason=7), target=LAMP),
            {"kind": "deauthentication", "reason_code": 7},
            id="is-sent-away",
        ),
        pytest.param(
            frame(10, Dot11Disas(reason=8), source=LAMP, target=ACCESS_POINT),
            {"kind": "disassociation", "reason_code": 8},
            id="leaves",
        ),
    ],
)
def test_stations_and_what_they_do(octets, expected):
    found = parsed(octets)

    assert {key: getattr(found, key) for key in expected} == expected
    assert format_link(found.transmitter) == Dot11(octets).addr2
    assert format_link(found.receiver) == Dot11(octets).addr1


def test_nothing_is_read_of_a_protected_frame():
    octets = frame(12, Dot11Deauth(reason=7), target=LAMP, flags="protected")

    found = parsed(octets)

    assert (found.is_protected, found.reason_code, found.elements) == (True, None, None)


def test_field_before_the_content_is_stepped_over():
    """9.2.4.6: with the bit Order the header of a management frame has four octets more."""
    octets = bytearray(frame(12, Dot11Deauth(reason=7), flags="order"))
    octets[24:24] = b"\xff\xff\xff\xff"

    assert parsed(bytes(octets)).reason_code == 7


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(beacon()[:23], TruncatedError, "header", id="cut-in-the-header"),
        pytest.param(beacon()[:35], TruncatedError, "fixed_fields", id="cut-in-the-fixed-fields"),
        pytest.param(b"\x08" + beacon()[1:], MalformedError, "frame_control", id="data"),
        pytest.param(b"\xf0" + beacon()[1:], MalformedError, "frame_control", id="reserved-subtype"),
        pytest.param(beacon()[:36] + b"\xdd\x00" * 257, LimitError, "elements", id="257-elements"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parsed(octets)

    assert info.value.field == field


@pytest.mark.parametrize(
    "element",
    [
        b"\x00\x21" + b"x" * 33,
        b"\x30\x01\x01",
        b"\x30\x08\x01\x00\x00\x0f\xac\x04\xff\xff",
        b"\x03\x02\x01\x01",
        b"\x07\x09a",
    ],
    ids=["33-octets-of-name", "rsn-of-one-octet", "65535-ciphers", "channel-of-two", "passes-the-end"],
)
def test_broken_element_is_counted(element):
    octets = frame(8, Dot11Beacon())[:36] + b"\x01\x01\x82" + element

    assert parsed(octets).elements.unread_elements == 1


@given(
    st.binary(min_size=1, max_size=32).filter(any), st.lists(st.integers(1, 25), max_size=6), st.booleans()
)
@settings(deadline=None, max_examples=50)
def test_names_and_suites_as_another_library_reads_them(name, managements, privacy):
    octets = frame(8, Dot11Beacon(cap="privacy" if privacy else 0) / ssid(name) / rsn(*managements))

    found, other = parsed(octets), Dot11(octets)

    assert found.has_privacy == bool(other[Dot11Beacon].cap.privacy)
    assert len(found.elements.key_managements) == len(
        {suite.suite for suite in other[Dot11EltRSN].akm_suites}
    )
    if name.isascii() and name.decode().isprintable() and b"\\" not in name:
        assert found.network_name.encode() == other[Dot11Elt].info


@given(damaged(beacon(rsn(2, 8)), frame(0, Dot11AssoReq() / ssid() / rsn(2)), frame(11, Dot11Auth())))
@settings(deadline=None)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


def test_dispatch_hands_frames_over_without_their_check_sequence():
    octets = beacon(rsn(2))
    plain = decode([octets], 105)
    told = bytes(RadioTap(present="Flags", Flags="FCS")) + octets + b"\xde\xad\xbe\xef"
    for batch in (plain, decode([told], 127)):
        (envelope,) = Dispatcher(strict=True).feed(batch, np.zeros(1, np.bool_))

        assert (envelope.protocol, envelope.message.protection) == ("ieee80211", "wpa2")
        assert envelope.message.length == len(octets)
        assert format_link(envelope.source.link_address) == ACCESS_POINT
        assert format_link(envelope.destination.link_address) == ANY
