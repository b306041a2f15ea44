"""
Vector: RFC 5905 figure 8; SNTP: RFC 4330 section 5; control messages: RFC 9327 section 2.

Oracles: ntplib (requests of a client) and scapy (headers from field values).
"""

import ntplib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.ntp import NTPHeader

from auditor.dissect.protocols.ntp import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

REQUEST = vector("ntp/ntp-client")
ANSWER = bytes.fromhex("24010a e9 00000011 00000022 7f7f0100") + bytes.fromhex("e800000012345678") * 4


def test_request():
    found = parse_message(Cursor(REQUEST))

    assert (found.version, found.mode, found.leap, found.stratum) == (4, 3, 0, 0)
    assert found.looks_simple
    assert not found.is_authenticated


def test_answer():
    found = parse_message(Cursor(ANSWER))

    assert (found.version, found.mode, found.stratum, found.poll_exponent) == (4, 4, 1, 10)
    assert not found.looks_simple


def test_request_of_a_simple_client_library():
    packet = ntplib.NTPPacket(mode=3, version=3, tx_timestamp=ntplib.system_to_ntp_time(0))
    found = parse_message(Cursor(packet.to_data()))

    assert (found.version, found.mode, found.looks_simple) == (3, 3, True)
    assert looks_like(packet.to_data())


def test_request_with_a_key_is_authenticated():
    found = parse_message(Cursor(REQUEST + bytes(4) + bytes(16)))

    assert found.is_authenticated
    assert not found.looks_simple


def test_control_message():
    assert parse_message(Cursor(bytes.fromhex("160100010000000000000000"))).mode == 6


@pytest.mark.parametrize("octets", [REQUEST, ANSWER, bytes.fromhex("160100010000000000000000")])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)
    assert looks_like(octets)


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x03" + bytes(47), MalformedError, "version", id="version-0"),
        pytest.param(b"\x2b" + bytes(47), MalformedError, "version", id="version-5"),
        pytest.param(b"\x27" + bytes(47), MalformedError, "mode", id="private-mode"),
        pytest.param(b"\x20" + bytes(47), MalformedError, "mode", id="mode-0-of-version-4"),
        pytest.param(REQUEST + b"abc", MalformedError, "extension", id="three-octets-left"),
        pytest.param(b"", TruncatedError, "leap_version_mode", id="empty"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert info.value.field == field


@given(
    leap=st.integers(0, 3),
    version=st.integers(1, 4),
    mode=st.integers(1, 5),
    stratum=st.integers(0, 16),
    poll=st.integers(0, 17),
)
@settings(deadline=None)
def test_reads_what_another_library_wrote(leap, version, mode, stratum, poll):
    octets = bytes(NTPHeader(leap=leap, version=version, mode=mode, stratum=stratum, poll=poll))

    found = parse_message(Cursor(octets))

    assert (found.leap, found.version, found.mode) == (leap, version, mode)
    assert (found.stratum, found.poll_exponent) == (stratum, poll)


@given(damaged(REQUEST, ANSWER))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
    looks_like(octets[:64])
