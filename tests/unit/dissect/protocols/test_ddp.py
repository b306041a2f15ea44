"""
Vectors: built by hand from the field table of DDP; no packet is printed in it.

Oracle: python-led-ddp, which writes headers (its range of data types is smaller than ours).
"""

import ddp
import pytest
from ddp.protocol.timecode import TimeCode
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.protocols.ddp import DISSECTOR, DdpMessage, looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

PIXELS = vector("ddp/ddp-rgb-push")
CONFIGURATION = vector("ddp/ddp-config-write")


def packet(flags=0x41, destination=1, data=b"", *, length=None, offset=0, timecode=b""):
    octets = len(data) if length is None else length
    header = bytes([flags, 1, 0x0B, destination]) + offset.to_bytes(4, "big") + octets.to_bytes(2, "big")
    return header + timecode + data


def read(octets):
    assert looks_like(octets[:64])
    return parse_message(Cursor(octets))


def test_pixels():
    assert read(PIXELS) == DdpMessage(
        length=13,
        effect="light",
        destination=1,
        data_type=0x0B,
        sequence=1,
        offset_octets=0,
        data_octets=3,
        is_push=True,
        is_query=False,
        is_reply=False,
        is_storage=False,
        timecode=None,
    )


def test_writing_the_configuration():
    found = read(CONFIGURATION)

    assert (found.destination, found.effect, found.sequence) == (250, "configuration", 2)


@pytest.mark.parametrize(
    ("flags", "destination", "effect"),
    [
        (0x41, 1, "light"),
        (0x41, 2, "light"),
        (0x49, 1, "light"),
        (0x41, 246, "light"),
        (0x41, 250, "configuration"),
        (0x41, 251, "announce"),
        (0x41, 254, "light"),
        (0x41, 255, "light"),
        (0x42, 250, "read"),
        (0x42, 251, "read"),
        (0x42, 246, "read"),
        (0x45, 250, "announce"),
        (0x47, 251, "announce"),
    ],
)
def test_effect(flags, destination, effect):
    assert read(packet(flags, destination, b"{}")).effect == effect


@pytest.mark.parametrize("length", [0, 480])
def test_query_asks_for_data_and_carries_none(length):
    found = read(packet(0x42, 251, length=length))

    assert (found.effect, found.data_octets, found.length) == ("read", length, 10)


def test_keys_and_secrets_of_a_json_text():
    text = b'{"config":{"ip":"192.0.2.20","wifi":{"ssid":"n","password":"not-this"}}}'
    found = read(packet(0x41, 250, text))

    assert found.keys == ("config", "config.ip", "config.wifi", "config.wifi.ssid", "config.wifi.password")
    assert [(s.kind, s.place, s.field) for s in found.secrets] == [
        ("wifi-passphrase", "ddp-json", "password")
    ]
    assert "not-this" not in repr(found)


def test_text_under_a_display_is_no_json():
    assert read(packet(0x41, 1, b'{"password":"abcdef"}')).secrets == ()


@pytest.mark.parametrize(
    "octets",
    [PIXELS, CONFIGURATION, packet(0x51, 1, b"\xff\0\0", timecode=b"\0\1\0\2"), packet(0x42, 251)],
    ids=["pixels", "configuration", "timecode", "query"],
)
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(packet(0x81), MalformedError, "flags", 0, id="version-2"),
        pytest.param(packet(0x01), MalformedError, "flags", 0, id="version-0"),
        pytest.param(packet(destination=0), MalformedError, "destination", 3, id="destination-0"),
        pytest.param(packet(data=b"abc", length=2), MalformedError, "data", 12, id="longer-than-told"),
        pytest.param(packet(data=b"abc", length=65535), TruncatedError, "data", 10, id="length-of-65535"),
        pytest.param(packet(0x51), TruncatedError, "timecode", 10, id="no-timecode"),
        pytest.param(
            packet(0x42, 251, b"ab", length=9), TruncatedError, "data", 10, id="query-with-some-data"
        ),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


@given(
    st.tuples(*[st.booleans()] * 4),
    st.integers(0, 15),
    st.sampled_from([1, 7, 246, 250, 251, 254, 255]),
    st.integers(0, (1 << 24) - 1),
    st.binary(min_size=1, max_size=1440),
    st.none() | st.integers(0, 2**32 - 1),
)
def test_reads_what_another_library_wrote(flags, sequence, destination, offset, data, timecode):
    storage, reply, query, push = flags
    header = ddp.Header(
        packet_type=ddp.PacketType(
            timecode=timecode is not None, storage=storage, reply=reply, query=query, push=push
        ),
        sequence_number=sequence,
        id=destination,
        offset=offset,
        length=len(data),
        time_code=TimeCode(timecode),
    )

    found = read(header.to_bytes() + data)

    assert (found.is_storage, found.is_reply, found.is_query, found.is_push) == flags
    assert (found.sequence, found.destination, found.offset_octets) == (sequence, destination, offset)
    assert (found.data_octets, found.timecode) == (len(data), timecode)
    assert found.data_type == header.pixel_config.to_byte()


@given(damaged(PIXELS, CONFIGURATION, packet(0x51, 1, b"\xff\0\0", timecode=b"\0\1\0\2")))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


@pytest.mark.parametrize(
    "octets",
    [
        pytest.param(
            bytes.fromhex("41017d34ffb4746573740001"), id="coap-get-with-token"
        ),  # RFC 7252 section 3
        pytest.param(bytes.fromhex("40017d34bb74656d7065726174757265"), id="coap-get"),  # RFC 7252 appendix A
        pytest.param(b"A request in plain words", id="text"),
        pytest.param(PIXELS + b"\0", id="one-octet-more"),
        pytest.param(PIXELS[:-1], id="one-octet-less"),
        pytest.param(PIXELS[:9], id="half-a-header"),
        pytest.param(packet(offset=1 << 24), id="offset-beyond-all-displays"),
        pytest.param(packet(0x61), id="reserved-bit"),
    ],
)
def test_beginnings_of_others(octets):
    assert not looks_like(octets[:64])


def test_row():
    assert (DISSECTOR.ports, DISSECTOR.name) == ({4048}, "ddp")
