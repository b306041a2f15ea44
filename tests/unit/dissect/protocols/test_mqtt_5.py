"""
MQTT Version 5.0 (OASIS Standard, 7 March 2019): sections 2.2.2 (properties), 2.4 (reason codes), 3.1.2.11, 3.2, 3.9,
3.14 and 3.15; packets are written from these tables.  Figures 3-6 and 3-10 are as in 3.1.1.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.protocols.mqtt import (
    Authentication,
    Connect,
    ConnectAcknowledgement,
    Disconnect,
    SubscribeAcknowledgement,
    parse_stream,
)
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax.mqtt_fields import properties
from auditor.errors import DecodeError, LimitError, MalformedError
from auditor.wire import Cursor


def string(octets):
    return len(octets).to_bytes(2, "big") + octets


def packet(first, body):
    assert len(body) < 128
    return bytes([first, len(body)]) + body


def listed(*held):
    joined = b"".join(held)
    return bytes([len(joined)]) + joined


METHOD = b"\x15" + string(b"SCRAM-SHA-256")
CONNECT = packet(
    0x10,
    string(b"MQTT") + b"\x05\x06\x00\x3c" + listed(b"\x11\0\0\x0e\x10", METHOD, b"\x16" + string(b"first"))
    + string(b"lamp") + listed(b"\x18\0\0\0\x05") + string(b"home/lamp/state") + string(b"gone"),
)  # fmt: skip


def read(octets, conversation, from_client=True):
    return parse_stream(Cursor(octets), from_client, conversation)


def test_login_in_several_packets():
    conversation = Conversation()
    connect = read(CONNECT, conversation)
    challenge = read(packet(0xF0, b"\x18" + listed(METHOD, b"\x16" + string(b"r=..."))), conversation, False)
    accepted = read(packet(0x20, b"\x00\x00" + listed(METHOD)), conversation, False)

    assert isinstance(connect, Connect)
    assert (connect.authentication_method, connect.will_topic) == ("SCRAM-SHA-256", "home/lamp/state")
    assert (connect.has_will, connect.password, connect.user_name) == (True, None, None)
    assert challenge == Authentication(length=challenge.length, code=0x18, method="SCRAM-SHA-256")
    assert (accepted.code, accepted.authentication_method) == (0, "SCRAM-SHA-256")


@pytest.mark.parametrize(
    ("code", "is_login"),
    [(0x00, False), (0x04, True), (0x05, True), (0x86, True), (0x87, True), (0x88, False)],
)
def test_refusals(code, is_login):
    """3.1.1 table 3.1 and 5.0 table 3-1: 0x88 is a server that is not there."""
    answer = read(packet(0x20, bytes([0, code]) + (listed() if code & 0x80 else b"")), Conversation(), False)

    assert isinstance(answer, ConnectAcknowledgement)
    assert answer.is_login_refused == is_login


def test_an_older_server_answers_without_properties():
    conversation = Conversation()
    read(CONNECT, conversation)

    assert read(b"\x20\x02\x00\x01", conversation, False).code == 1  # unacceptable protocol version


def test_refused_topics_and_reasons_of_leaving():
    conversation = Conversation()
    read(CONNECT, conversation)
    granted = read(packet(0x90, b"\x00\x07" + listed() + b"\x01\x87"), conversation, False)
    left = read(packet(0xE0, b"\x8e" + listed()), conversation, False)  # session taken over

    assert granted == SubscribeAcknowledgement(length=7, codes=(1, 0x87))
    assert (type(left), left.code) == (Disconnect, 0x8E)


@pytest.mark.parametrize(
    ("octets", "error"),
    [
        (b"\x02\x7f\x00", MalformedError),  # no such property
        (b"\x03\x15\x00\x05", MalformedError),  # a string past its list
        (b"\x01\x11", MalformedError),
        (b"\xff\xff\xff\xff", MalformedError),
        (b"\x82\x02" + b"\x01\x00" * 129, LimitError),
    ],
)
def test_broken_properties(octets, error):
    with pytest.raises(error):
        properties(Cursor(octets), "properties")


@given(st.binary(max_size=60))
def test_any_octets_give_properties_or_an_error(octets):
    try:
        found = properties(Cursor(octets), "properties")
    except DecodeError:
        found = {}
    assert all(identifier < 0x2B for identifier in found)
