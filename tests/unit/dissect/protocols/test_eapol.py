"""
Frames: IEEE 802.1X-2010 section 11, IEEE 802.11-2016 sections 12.7.2 to 12.7.7
(from memory), RFC 3748 section 4.  Oracle: scapy 2.8 (GPL-2.0-only).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from scapy.layers.dot11 import Dot11
from scapy.layers.eap import EAP, EAPOL, EAPOL_KEY
from scapy.layers.l2 import LLC, SNAP, Ether

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.eapol import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
)
from tests.unit.packets.frames import decode

LAMP, ACCESS_POINT = "02:00:00:00:53:02", "02:00:00:00:53:01"
NONCE = bytes(range(32))


def key(*, descriptor=2, nonce=NONCE, **flags):
    return bytes(
        EAPOL(version=2, type=3) / EAPOL_KEY(key_descriptor_type=descriptor, key_nonce=nonce, **flags)
    )


STEPS = {
    1: key(key_type=1, key_ack=1, has_key_mic=0),
    2: key(key_type=1, has_key_mic=1),
    3: key(key_type=1, key_ack=1, has_key_mic=1, install=1, secure=1, encrypted_key_data=1),
    4: key(key_type=1, has_key_mic=1, secure=1, nonce=bytes(32)),
}


@pytest.mark.parametrize("step", STEPS)
def test_steps_of_the_four_way_handshake(step):
    """scapy tells the step by the same flags: ``EAPOL_KEY.guess_key_number``."""
    octets = STEPS[step]

    found = parse_message(Cursor(octets))

    assert (found.kind, found.descriptor, found.handshake) == ("key", "rsn", "pairwise")
    assert found.handshake_step == step == EAPOL(octets)[EAPOL_KEY].guess_key_number()
    assert found.is_from_authenticator == (step in (1, 3))
    assert looks_like(octets[:64])


def test_last_step_before_the_standard_was_finished():
    found = parse_message(Cursor(key(descriptor=254, key_type=1, has_key_mic=1, nonce=bytes(32))))

    assert (found.descriptor, found.handshake_step) == ("wpa", 4)


def test_group_key_and_request():
    assert parse_message(Cursor(key(key_ack=1, has_key_mic=1, secure=1))).handshake_step == 1
    answer = parse_message(Cursor(key(has_key_mic=1, secure=1)))
    assert (answer.handshake, answer.handshake_step) == ("group", 2)
    assert parse_message(Cursor(key(key_type=1, request=1))).handshake == "request"


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        pytest.param(bytes(EAPOL(version=1, type=1)), ("start", None, None), id="start"),
        pytest.param(
            bytes(EAPOL(type=0) / EAP(code=1, id=1, type=1)), ("eap", "request", "identity"), id="identity"
        ),
        pytest.param(
            bytes(EAPOL(type=0) / EAP(code=2, id=1, type=1, identity=b"someone")),
            ("eap", "response", "identity"),
            id="identity-told",
        ),
        pytest.param(bytes(EAPOL(type=0) / EAP(code=3, id=9)), ("eap", "success", None), id="success"),
        pytest.param(
            bytes.fromhex("0200 0006 01020006 c8 00"), ("eap", "request", "200"), id="unknown-method"
        ),
    ],
)
def test_login_by_port(octets, expected):
    found = parse_message(Cursor(octets))

    assert (found.kind, found.eap_code, found.eap_method) == expected
    assert "someone" not in repr(found)


def test_nothing_is_kept_by_which_a_passphrase_could_be_tried():
    told = repr(parse_message(Cursor(STEPS[2])))

    assert NONCE.hex() not in told
    assert repr(NONCE)[2:-1] not in told


def test_padding_of_a_short_frame_is_passed_over():
    octets = bytes(EAPOL(version=2, type=1)) + bytes(42)

    assert parse_message(Cursor(octets)).length == len(octets)


@pytest.mark.parametrize("octets", [*STEPS.values()], ids=["1", "2", "3", "4"])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x09\x01\x00\x00", MalformedError, "version", id="version-9"),
        pytest.param(b"\x02\x20\x00\x00", MalformedError, "type", id="type-32"),
        pytest.param(b"\x02\x00\x00\x04\x07\x01\x00\x04", MalformedError, "eap_code", id="code-7"),
        pytest.param(b"\x02\x00\x00\x04\x01\x01\x00\x03", MalformedError, "eap_length", id="length-3"),
        pytest.param(b"\x02\x00\x00\x04\x01\x01\xff\xff", TruncatedError, "eap_data", id="length-65535"),
        pytest.param(b"\x02\x03\xff\xff\x02", TruncatedError, "body", id="body-of-65535"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert info.value.field == field


@given(damaged(*STEPS.values(), bytes(EAPOL(type=0) / EAP(code=1, id=1, type=1))))
@settings(deadline=None)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


def test_dispatch_finds_it_on_wires_and_in_the_air():
    wired = Ether(src=ACCESS_POINT, dst=LAMP, type=0x888E) / STEPS[1]
    air = Dot11(type=2, FCfield=2, addr1=LAMP, addr2=ACCESS_POINT, addr3=ACCESS_POINT)
    air = air / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x888E) / STEPS[1]
    for octets, link in ((wired, 1), (air, 105)):
        (envelope,) = Dispatcher(strict=True).feed(decode([bytes(octets)], link), np.zeros(1, np.bool_))

        assert (envelope.protocol, envelope.message.handshake_step) == ("eapol", 1)
        assert envelope.source.link_address.hex(":") == ACCESS_POINT
        assert (envelope.flow.ethertype, envelope.flow.protocol) == (0x888E, 0)
