"""
Vectors: RFC 8448 section 3 (tests/vectors/tls).  Real handshakes: the ssl module of the standard library over
memory.  Second opinion on the fields of a hello: scapy (GPL-2.0), as a reader of what ssl wrote.
"""

import ssl

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.tls.all import TLS, TLSClientHello

from auditor.dissect.message import PassedOver
from auditor.dissect.protocols.tls import (
    Alert,
    Certificate,
    ClientHello,
    EncryptedData,
    ServerHello,
    client_speaks,
    looks_like,
    parse_stream,
)
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax.tls_handshake import RETRY_REQUEST_RANDOM, is_grease
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.unit.dissect.tls_peers import handshake
from tests.unit.dissect.vectors import vector

CLIENT_HELLO = vector("tls/tls13-clienthello-record")
SERVER_HELLO = vector("tls/tls13-serverhello-record")
ENCRYPTED = vector("tls/tls13-encrypted-flight-record")


def read(octets, from_client, conversation=None):
    """All messages of one direction, until it is finished."""
    conversation = conversation or Conversation()
    messages, position = [], 0
    while position < len(octets):
        message = parse_stream(Cursor(octets[position:]), from_client, conversation)
        assert message.length > 0
        position += message.length
        messages.append(message)
        if conversation.client_finished if from_client else conversation.server_finished:
            break
    return messages


def test_client_hello_of_the_standard():
    hello = parse_stream(Cursor(CLIENT_HELLO), True, Conversation())

    assert hello == ClientHello(
        length=len(CLIENT_HELLO),
        server_name="server",
        application_protocols=(),
        versions=(0x0304,),
        cipher_suites=(0x1301, 0x1303, 0x1302),
        has_encrypted_client_hello=False,
    )


def test_server_flight_of_the_standard():
    conversation = Conversation()
    hello, data = read(SERVER_HELLO + ENCRYPTED, False, conversation)

    assert hello == ServerHello(
        length=len(SERVER_HELLO),
        version=0x0304,
        cipher_suite=0x1301,
        application_protocol=None,
        is_retry_request=False,
    )
    assert data == EncryptedData(length=len(ENCRYPTED), record_version=0x0303)
    assert conversation.server_finished
    assert not conversation.client_finished


@pytest.mark.parametrize("octets", [CLIENT_HELLO, SERVER_HELLO], ids=["client", "server"])
def test_every_truncation_asks_for_more(octets):
    for end in range(1, len(octets)):
        with pytest.raises(TruncatedError):
            parse_stream(Cursor(octets[:end]), True, Conversation())


@pytest.mark.parametrize("size", [1, 7, 50, 195])
def test_a_message_split_over_records_is_one_message(size):  # RFC 8446 5.1: fragmentation
    body = CLIENT_HELLO[5:]
    parts = [body[i : i + size] for i in range(0, len(body), size)]
    octets = b"".join(b"\x16\x03\x01" + len(part).to_bytes(2, "big") + part for part in parts)

    (hello,) = read(octets, True)
    assert (hello.server_name, hello.length) == ("server", len(octets))


def test_several_messages_in_one_record_are_all_read():  # RFC 8446 5.1: coalescing
    body = SERVER_HELLO[5:] + b"\x0e\0\0\0" + SERVER_HELLO[5:]  # ServerHelloDone between
    octets = b"\x16\x03\x03" + len(body).to_bytes(2, "big") + body

    messages = read(octets, False)
    assert [type(message) for message in messages] == [ServerHello, PassedOver, ServerHello]
    assert sum(message.length for message in messages) == len(octets)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_a_real_handshake(version):
    said, client = handshake(version)
    conversation = Conversation()
    by_client = b"".join(octets for who, octets in said if who)
    by_server = b"".join(octets for who, octets in said if not who)
    hello, *_ = read(by_client, True, conversation)
    answer, *more = read(by_server, False, conversation)

    assert hello.server_name == "lamp.example"
    assert hello.application_protocols == ("h2", "http/1.1")
    assert hello.versions == ((0x0304,) if version is ssl.TLSVersion.TLSv1_3 else (0x0303,))
    assert not hello.has_encrypted_client_hello
    assert answer.version == (0x0304 if version is ssl.TLSVersion.TLSv1_3 else 0x0303)
    name = next(
        c["name"]
        for c in ssl.create_default_context().get_ciphers()
        if c["id"] & 0xFFFF == answer.cipher_suite
    )
    assert name == client.cipher()[0]
    assert conversation.finished
    certificates = [message for message in more if isinstance(message, Certificate)]
    if version is ssl.TLSVersion.TLSv1_2:
        (leaf,) = certificates
        assert (leaf.subject, leaf.names, leaf.chain_length) == ("lamp.example", ("lamp.example",), 1)
        assert leaf.self_issued
        assert not leaf.from_client
        assert answer.application_protocol == client.selected_alpn_protocol()
    else:
        assert certificates == []  # encrypted (RFC 8446 section 2)
        assert isinstance(more[-1], EncryptedData)


def test_another_library_reads_the_same_hello():
    said, _ = handshake(protocols=())
    octets = said[0][1]
    hello = parse_stream(Cursor(octets), True, Conversation())
    theirs = TLS(octets).msg[0]

    assert isinstance(theirs, TLSClientHello)
    assert hello.cipher_suites == tuple(theirs.ciphers)
    (names,) = [ext.servernames for ext in theirs.ext if ext.type == 0]
    assert hello.server_name == names[0].servername.decode()


def hello_with(extensions, suites=b"\x13\x01"):
    listed = b"".join(
        kind.to_bytes(2, "big") + len(data).to_bytes(2, "big") + data for kind, data in extensions
    )
    body = b"\x03\x03" + bytes(32) + b"\0" + len(suites).to_bytes(2, "big") + suites + b"\x01\0"
    body += len(listed).to_bytes(2, "big") + listed
    message = b"\x01" + len(body).to_bytes(3, "big") + body
    return b"\x16\x03\x01" + len(message).to_bytes(2, "big") + message


def test_reserved_numbers_are_left_out():  # RFC 8701 section 2 and 3.1
    reserved = [b << 8 | b for b in range(0x0A, 0x100, 0x10)]
    assert [value for value in range(1 << 16) if is_grease(value)] == reserved
    octets = hello_with(
        [
            (0x2A2A, b""),
            (43, b"\x06\x1a\x1a\x03\x03\x03\x04"),
            (16, b"\0\x06\x02\x0a\x0a\x02h2"),
        ],
        suites=b"\xfa\xfa\x13\x01\xc0\x2b",
    )

    hello = parse_stream(Cursor(octets), True, Conversation())
    assert hello.versions == (0x0304, 0x0303)
    assert hello.cipher_suites == (0x1301, 0xC02B)
    assert hello.application_protocols == ("h2",)


def test_an_encrypted_hello_is_noted_and_a_long_key_share_is_passed_over():  # RFC 9849 section 5
    octets = hello_with([(0xFE0D, bytes(200)), (51, bytes(1216)), (0, b"\0\x10\0\0\x0douter.EXAMPLE")])

    hello = parse_stream(Cursor(octets), True, Conversation())
    assert hello.has_encrypted_client_hello
    assert hello.server_name == "outer.example"


def test_the_second_hello_after_a_retry_request_is_read():  # RFC 8446 4.1.4 and D.4
    retry = bytearray(SERVER_HELLO)
    retry[11:43] = RETRY_REQUEST_RANDOM
    change = b"\x14\x03\x03\0\x01\x01"
    conversation = Conversation()
    read(CLIENT_HELLO, True, conversation)
    retried, _ = read(bytes(retry) + change, False, conversation)
    messages = read(change + CLIENT_HELLO, True, conversation)
    answers = read(SERVER_HELLO + ENCRYPTED, False, conversation)

    assert retried.is_retry_request
    assert [type(message) for message in messages] == [PassedOver, ClientHello]
    assert [type(message) for message in answers] == [ServerHello, EncryptedData]


def test_an_alert_in_the_clear():  # RFC 8446 section 6: fatal, protocol_version
    (alert,) = read(b"\x15\x03\x01\0\x02\x02\x46", False)

    assert (alert.level, alert.description) == (2, 70)
    assert isinstance(alert, Alert)


def test_a_certificate_without_end_is_refused():
    with pytest.raises(LimitError):
        parse_stream(Cursor(b"\x16\x03\x03\x40\x00\x0b\xff\xff\xff" + bytes(20)), False, Conversation())


def test_a_broken_certificate_is_named_as_such():
    body = b"\0\0\x05\0\0\x02\x30\x00"
    message = b"\x0b" + len(body).to_bytes(3, "big") + body
    with pytest.raises(DecodeError) as caught:
        parse_stream(Cursor(b"\x16\x03\x03\0" + bytes([len(message)]) + message), False, Conversation())
    assert caught.value.field.startswith("certificate ")


def test_data_inside_a_handshake_message_is_refused():  # RFC 8446 5.1: MUST NOT be interleaved
    octets = b"\x16\x03\x01\0\x05\x01\0\x01\0\x03" + b"\x17\x03\x03\0\x01\0"
    with pytest.raises(MalformedError):
        parse_stream(Cursor(octets), True, Conversation())


def test_who_speaks():
    assert client_speaks(CLIENT_HELLO) is True
    assert client_speaks(SERVER_HELLO) is False
    assert client_speaks(ENCRYPTED) is None
    assert all(looks_like(octets[:64]) for octets in (CLIENT_HELLO, SERVER_HELLO, ENCRYPTED))


@pytest.mark.parametrize(
    "octets", [b"", b"\x16", b"GET / HTTP/1.1\r\n", b"\x10\x10\0\x04MQTT", b"\x16\x03\x01\0\0\x01"]
)
def test_other_protocols_are_not_claimed(octets):
    assert not looks_like(octets)


@given(st.binary(min_size=1, max_size=64))
def test_random_octets_are_not_claimed(octets):
    if looks_like(octets):  # one in 2**24 of random ones: then they are what the standard describes
        assert octets[0] in (21, 22, 23)
        assert octets[1] == 3


@settings(max_examples=100)
@given(
    st.binary(max_size=200) | st.binary(max_size=100).map(lambda rest: CLIENT_HELLO[:60] + rest),
    st.booleans(),
)
def test_any_octets_give_a_message_or_a_decode_error(octets, from_client):
    conversation = Conversation()
    try:
        message = parse_stream(Cursor(octets), from_client, conversation)
    except DecodeError:
        return
    assert message.length > 0


@settings(max_examples=100)
@given(st.integers(0, len(CLIENT_HELLO) - 1), st.integers(0, 255))
def test_any_changed_octet_gives_a_message_or_a_decode_error(index, value):
    octets = bytearray(CLIENT_HELLO)
    octets[index] = value
    try:
        message = parse_stream(Cursor(bytes(octets)), True, Conversation())
    except DecodeError:
        return
    assert 0 < message.length <= len(octets) + 2**14 + 2048
