"""
Vectors: RFC 9001 appendix A.  Oracle: both ends of aioquic, versions 1 and 2 and the step from one to the other.

Hand-made packets are protected here by aioquic's CryptoPair, so that nothing is checked by our own keys.
"""

import random
import sys
from itertools import pairwise

import pytest
from aioquic.buffer import Buffer, encode_uint_var
from aioquic.quic.crypto import CryptoPair
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Issue, PassedOver
from auditor.dissect.protocols import quic
from auditor.dissect.protocols.quic import (
    MAX_DATAGRAMS,
    QuicInitial,
    QuicPacket,
    looks_like,
    parse_datagram,
    parse_flow_datagram,
)
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax import quic_frames
from auditor.dissect.syntax.quic_protection import VERSION_1, VERSION_2, initial_keys, open_initial
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)
from tests.unit.dissect.packets import datagram, dispatch
from tests.unit.dissect.quic_peers import NAME, opening

CLIENT, SERVER, RETRY = (
    vector(f"quic/quic-{name}") for name in ("initial-client", "initial-server", "retry")
)
# RFC 9001 A.2: the CRYPTO frame; and A.1: the connection identifier.
HELLO = bytes.fromhex(
    "010000ed0303ebf8fa56f12939b9584a3896472ec40bb863cfd3e86804fe3a47f06a2b69484c00000413011302010000c000000010000e"
    "00000b6578616d706c652e636f6dff01000100000a00080006001d0017001800100007000504616c706e00050005010000000000330026"
    "0024001d00209370b2c9caa47fbabaf4559fedba753de171fa71f50f1ce15d43e994ec74d748002b0003020304000d0010000e04030503"
    "06030203080408050806002d00020101001c00024001003900320408ffffffffffffffff05048000ffff07048000ffff0801100104"
    "800075300901100f088394c8f03e51570806048000ffff"
)
IDENTIFIER = bytes.fromhex("8394c8f03e515708")


def crypto(offset, octets):
    return b"\x06" + encode_uint_var(offset) + encode_uint_var(len(octets)) + octets


def initial(
    frames, *, number=0, identifier=IDENTIFIER, destination=None, version=1, of_client=True, token=b""
):
    """An Initial packet, protected by aioquic."""
    pair = CryptoPair()
    pair.setup_initial(cid=identifier, is_client=of_client, version=version)
    frames = frames.ljust(20, b"\0")
    destination = identifier if destination is None else destination
    first = 0xC1 if version == 1 else 0xD1  # two octets of packet number
    length = (0x4000 | len(frames) + 2 + 16).to_bytes(2, "big")
    header = bytes([first]) + version.to_bytes(4, "big") + bytes([len(destination)]) + destination + b"\0"
    header += encode_uint_var(len(token)) + token + length + number.to_bytes(2, "big")
    return pair.encrypt_packet(header, frames, number)


def converse(*datagrams):
    """What a conversation's datagrams give, and the conversation."""
    conversation = Conversation()
    return [parse_flow_datagram(Cursor(octets), by, conversation) for by, octets in datagrams], conversation


def kinds(messages):
    return [getattr(message, "kind", type(message).__name__) for message in messages]


def test_keys_of_the_appendix():
    # RFC 9001 A.1
    ours = initial_keys(VERSION_1, IDENTIFIER, of_client=True)
    theirs = initial_keys(VERSION_1, IDENTIFIER, of_client=False)

    assert ours.key.hex() == "1f369613dd76d5467730efcbe3b1a22d"
    assert ours.initialization_vector.hex() == "fa044b2f42a3fd3b46fb255c"
    assert ours.header_protection.hex() == "9f50449e04a0e810283a1e9933adedd2"
    assert theirs.key.hex() == "cf3a5331653c364c88f0f379b6067e37"
    assert theirs.initialization_vector.hex() == "0ac1493ca1905853b0bba03e"
    assert theirs.header_protection.hex() == "c206b8d9b9f0f37644430b490eeaa314"


@pytest.mark.parametrize("of_client", [True, False])
@pytest.mark.parametrize("version", [VERSION_1, VERSION_2])
def test_keys_of_another_library(version, of_client):
    pair = CryptoPair()
    pair.setup_initial(cid=IDENTIFIER, is_client=of_client, version=version)
    ours = initial_keys(version, IDENTIFIER, of_client=of_client)
    packet = initial(b"\x01", version=version, of_client=of_client)

    assert open_initial(packet, 18, ours).payload == b"\x01" + bytes(19)
    assert open_initial(packet[:-1] + b"\0", 18, ours) is None


def test_client_of_the_appendix():
    found = parse_datagram(Cursor(CLIENT))

    assert (found.server_name, found.application_protocols) == ("example.com", ("alpn",))
    assert (found.version, found.from_client, found.is_complete) == (1, True, True)
    assert not found.has_encrypted_client_hello
    assert open_initial(CLIENT, 18, initial_keys(1, IDENTIFIER, of_client=True)).packet_number == 2


def test_both_sides_of_the_appendix():
    (client, server), conversation = converse((True, CLIENT), (False, SERVER))

    assert client.server_name == "example.com"
    assert (server.from_client, server.is_complete, server.cipher_suite) == (False, True, 0x1301)
    assert conversation.finished


def test_retry_of_the_appendix():
    assert parse_datagram(Cursor(RETRY)) == QuicPacket(length=len(RETRY), kind="retry", version=1)


def test_server_without_the_client_is_named_undecrypted():
    found = parse_datagram(Cursor(SERVER))

    assert (found.kind, found.version, found.not_decrypted) == ("initial", 1, "no-key")


@pytest.mark.parametrize(
    ("client_versions", "server_versions", "original", "seen"),
    [
        ([1], [1], None, (1, 1)),
        ([VERSION_2], [VERSION_2], None, (VERSION_2, VERSION_2)),
        # RFC 9368 section 2.3: the server goes on in another version, under keys of the same identifier.
        ([VERSION_2, 1], [VERSION_2, 1], 1, (1, VERSION_2)),
    ],
)
def test_openings_of_another_library(client_versions, server_versions, original, seen):
    datagrams = opening(client_versions, server_versions, original=original)
    messages, conversation = converse(*datagrams[:2])
    client, server = messages

    assert (client.server_name, client.application_protocols) == (NAME, ("h3",))
    assert (client.version, server.version) == seen
    assert (client.from_client, server.from_client) == (True, False)
    assert server.cipher_suite in (0x1301, 0x1302, 0x1303)
    assert conversation.finished


def test_kinds_of_another_library():
    messages, _ = converse(*opening([1], [1]))

    assert kinds(messages)[:4] == ["QuicInitial", "QuicInitial", "handshake", "1-rtt"]
    assert all(isinstance(message, PassedOver) or message.kind == "1-rtt" for message in messages[4:])


def test_hello_over_several_datagrams():
    # A list of protocols that no single datagram holds.
    protocols = (*(f"{'p' * 200}-{i}" for i in range(12)), "h3")
    datagrams = [(True, octets) for by_client, octets in opening([1], [1], protocols=protocols) if by_client]
    messages, _ = converse(*datagrams)
    first, second = (message for message in messages if isinstance(message, QuicInitial))

    assert (first.is_complete, first.server_name) == (False, None)
    assert (second.is_complete, second.server_name) == (True, NAME)
    assert second.application_protocols == tuple(name[:64] for name in protocols)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, len(HELLO) - 1), max_size=12, unique=True), st.randoms(), st.integers(1, 5))
def test_pieces_in_any_order(cuts, chance, per_datagram):
    bounds = [0, *sorted(cuts), len(HELLO)]
    pieces = [crypto(a, HELLO[a:b]) for a, b in pairwise(bounds)]
    pieces += chance.sample(pieces, len(pieces) // 2)
    chance.shuffle(pieces)
    packets = [
        initial(b"\0\x01\0".join(pieces[i : i + per_datagram]), number=i)
        for i in range(0, len(pieces), per_datagram)
    ]
    messages, _ = converse(*((True, packet) for packet in packets))
    hellos = [message for message in messages if isinstance(message, QuicInitial) and message.is_complete]

    assert [hello.server_name for hello in hellos] == ["example.com"]
    assert len([message for message in messages if isinstance(message, QuicInitial)]) <= 2


def test_new_identifier_after_a_retry():
    other = bytes.fromhex("f067a5502a4262b5")
    again = initial(crypto(0, HELLO), number=1, identifier=other, token=b"token")
    messages, _ = converse((True, CLIENT), (False, RETRY), (True, again))

    assert kinds(messages) == ["QuicInitial", "retry", "QuicInitial"]
    assert messages[2].server_name == "example.com"


def test_later_packets_of_the_client_go_to_the_servers_identifier():
    half = len(HELLO) // 2
    messages, _ = converse(
        (True, initial(crypto(0, HELLO[:half]))),
        (True, initial(crypto(half, HELLO[half:]), number=1, destination=b"server's")),
    )

    assert [message.is_complete for message in messages] == [False, True]


def test_direction_is_told_by_the_keys():
    messages, _ = converse((False, CLIENT), (True, SERVER))

    assert [message.from_client for message in messages] == [True, False]


def test_encrypted_client_hello():
    # RFC 9849 section 5: the extension's number, here in the place of another of the same length.
    outer = HELLO.replace(bytes.fromhex("ff01000100"), bytes.fromhex("fe0d000100"))
    found = parse_datagram(Cursor(initial(crypto(0, outer))))

    assert outer != HELLO
    assert (found.server_name, found.has_encrypted_client_hello) == ("example.com", True)


def test_closing():
    # RFC 9000 19.19 and section 20.1: CONNECTION_REFUSED is 2.
    close = b"\x1c\x02\x00\x03off"
    server = initial(close, of_client=False, destination=b"")
    messages, _ = converse((True, CLIENT), (False, server), (False, server))

    assert (messages[1].from_client, messages[1].close_error, messages[1].is_complete) == (False, 2, False)
    assert kinds(messages) == ["QuicInitial", "QuicInitial", "PassedOver"]


def test_coalesced_packets_and_padding():
    handshake = b"\xe1\0\0\0\1\0\0\x05hello"
    messages, _ = converse((True, handshake + initial(crypto(0, HELLO)) + bytes(30)))

    assert messages[0].server_name == "example.com"
    assert kinds(converse((True, handshake + bytes(30)))[0]) == ["handshake"]


def test_negotiation():
    octets = bytes.fromhex("8000000000 02 0102 01 03 00000001 6b3343cf 0a1a2a3a")
    found = parse_datagram(Cursor(octets))

    assert (found.kind, found.versions) == ("version-negotiation", (1, VERSION_2, 0x0A1A2A3A))
    assert looks_like(octets)
    for broken in (octets[:11], octets[:-1]):
        with pytest.raises(MalformedError):
            parse_datagram(Cursor(broken))


def test_unknown_version():
    octets = bytes.fromhex("c01a2a3a4a 01 00 00") + bytes(1192)
    found = parse_datagram(Cursor(octets))

    assert (found.kind, found.version) == ("unknown-version", 0x1A2A3A4A)
    assert looks_like(octets[:64])


def test_without_the_library(monkeypatch):
    for name in [name for name in sys.modules if name.startswith("cryptography.hazmat.primitives.ciphers")]:
        monkeypatch.setitem(sys.modules, name, None)

    assert parse_datagram(Cursor(CLIENT)).not_decrypted == "no-library"


@pytest.mark.parametrize("octets", [CLIENT, SERVER])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_datagram, octets)
    assert looks_like(octets[:64])


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "first_octet", id="empty"),
        pytest.param(b"\x41" + bytes(40), MalformedError, "header_form", id="short-header-first"),
        pytest.param(b"\x80\0\0\0\1\0\0\0", MalformedError, "fixed_bit", id="fixed-bit"),
        pytest.param(
            b"\xc0\0\0\0\1\x15" + bytes(40),
            MalformedError,
            "destination_connection_id_length",
            id="identifier-of-21",
        ),
        pytest.param(initial(b"\x08\0"), MalformedError, "frame_type", id="stream-frame"),
        pytest.param(
            initial(b"\x40\x06\0\x50" + bytes(10)), TruncatedError, "crypto_data", id="passes-the-end"
        ),
        pytest.param(
            initial(crypto(0, b"\x02\0\0\0")), MalformedError, "hello handshake_type", id="server's"
        ),
        pytest.param(
            initial(crypto(0, b"\x01\0\0\x04abcd")), MalformedError, "hello legacy_version", id="noise"
        ),
        pytest.param(initial(crypto(9000, b"a")), MalformedError, "hello crypto_offset", id="far"),
        pytest.param(
            initial(b"\x02\0\0\xff" + b"\xff" * 7 + bytes(10)), TruncatedError, "ack_range", id="many-ranges"
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_datagram(Cursor(octets))
    assert info.value.field == field
    assert 0 <= info.value.offset <= len(octets)


def test_a_broken_hello_is_said_once():
    broken = initial(crypto(0, b"\x02\0\0\0"))
    conversation = Conversation()
    with pytest.raises(MalformedError):
        parse_flow_datagram(Cursor(broken), True, conversation)
    assert isinstance(parse_flow_datagram(Cursor(broken), True, conversation), PassedOver)


@pytest.mark.parametrize("size", [1, 100, 4_096])
def test_memory_is_bounded(size):
    hello = quic_frames.HelloOctets()

    def add_many():
        for offset in range(0, 8_000, 2):
            hello.add(offset, bytes(size), 0)

    with pytest.raises(LimitError):
        add_many()
    assert len(hello.pieces) <= quic_frames.MAX_PIECES
    assert sum(map(len, hello.pieces.values())) <= quic_frames.MAX_HELLO_OCTETS


@settings(max_examples=100, deadline=None)
@given(
    damaged(CLIENT, SERVER, RETRY, initial(crypto(0, HELLO)), initial(crypto(0, HELLO), version=VERSION_2))
)
def test_any_octets(octets):
    assert_message_or_decode_error(parse_datagram, octets)
    assert looks_like(octets[:64]) in (True, False)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=80) | st.just(crypto(0, HELLO)), st.binary(max_size=80))
def test_any_frames(first, second):
    assert_message_or_decode_error(parse_datagram, initial(first + second))


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.booleans(), damaged(CLIENT, SERVER, RETRY, initial(crypto(0, HELLO[:99])))), max_size=8
    )
)
def test_any_conversation(datagrams):
    conversation = Conversation()
    for by_initiator, octets in datagrams:

        def parse(cursor, by=by_initiator):
            return parse_flow_datagram(cursor, by, conversation)

        assert_message_or_decode_error(parse, octets)


def run(packets, batch_size=None):
    return dispatch(packets, Dispatcher((quic.DISSECTOR,), strict=True), batch_size)


def test_through_dispatch_the_opening_is_read_and_no_more():
    payloads = opening([1], [1])
    chance = random.Random(3)
    packets = [
        datagram("192.0.2.20", "198.51.100.7", 50_000, 443, octets)
        if by_client
        else datagram("198.51.100.7", "192.0.2.20", 443, 50_000, octets)
        for by_client, octets in payloads
    ]
    packets += [
        datagram("198.51.100.7", "192.0.2.20", 443, 50_000, b"\x40" + chance.randbytes(1_000))
        for _ in range(500)
    ]
    items = run(packets)

    assert [item.message.from_client for item in items] == [True, False]
    assert [item.protocol for item in items] == ["quic", "quic"]
    assert items[0].message.server_name == NAME


def test_unanswered_opening_ends():
    packets = [
        datagram("192.0.2.20", "198.51.100.7", 50_000, 443, initial(b"\x01", number=i)) for i in range(200)
    ]
    items = run(packets)

    assert [type(item.message) for item in items] == [QuicInitial]
    assert MAX_DATAGRAMS < 200


def test_too_many_openings_lose_only_the_oldest(monkeypatch):
    monkeypatch.setattr("auditor.dissect.datagrams.MAX_MEMORIES", 2)
    half = len(HELLO) // 2
    parts = [initial(crypto(0, HELLO[:half])), initial(crypto(half, HELLO[half:]), number=1)]
    order = [(0, 0), (1, 0), (2, 0), (2, 1), (1, 1), (0, 1)]
    packets = [
        datagram("192.0.2.20", "198.51.100.7", 50_000 + client, 443, parts[part]) for client, part in order
    ]
    items = run(packets, batch_size=1)  # within a batch one conversation is read after the other
    complete = [item.flow.initiator.port for item in items if item.message.is_complete]

    assert not [item for item in items if isinstance(item, Issue)]
    assert complete == [50_002, 50_001]


def test_variable_integers_of_the_appendix():
    # RFC 9000 A.1; the writing side is aioquic's.
    for octets, value in (
        ("c2197c5eff14e88c", 151_288_809_941_952_652),
        ("9d7f3e7d", 494_878_333),
        ("7bbd", 15_293),
        ("25", 37),
        ("4025", 37),
    ):
        assert quic_frames.variable_integer(Cursor(bytes.fromhex(octets)), "x") == value
        assert Buffer(data=bytes.fromhex(octets)).pull_uint_var() == value
