"""
Vectors: field tables of Art-Net 4, through a third party; the offsets of poll reply, address and RDM packets, and
the command classes of ANSI E1.20 table A-1, are from memory.

Oracle: stupidArtnet, which builds data and synchronization packets.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stupidArtnet import StupidArtnet

from auditor.addresses import format_address
from auditor.dissect.protocols.artnet import looks_like, parse_message
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

POLL = vector("artnet/artnet-poll")
DMX = vector("artnet/artnet-dmx")
IP_PROGRAM = vector("artnet/artnet-ipprog")
REPLY = (
    b"Art-Net\0\x00\x21"
    + bytes([192, 0, 2, 20])
    + b"\x36\x19"
    + b"\x01\x02"
    + bytes(8)
    + b"shelf".ljust(18, b"\0")
    + b"the lamp on the shelf".ljust(64, b"\0")
    + bytes(93)
    + bytes.fromhex("020000000020")
    + bytes(32)
)


def packet(operation, rest=b""):
    return b"Art-Net\0" + operation.to_bytes(2, "little") + b"\x00\x0e" + rest


def ip_program(command):
    return packet(0xF800, b"\0\0" + bytes([command]) + bytes(19))


def test_poll():
    found = parse_message(Cursor(POLL))

    assert (found.operation, found.effect, found.length) == (0x2000, "read", 14)


def test_data():
    found = parse_message(Cursor(DMX))

    assert (found.operation, found.effect) == (0x5000, "light")
    assert (found.universe, found.slots, found.sequence) == (1, 2, 1)


def test_poll_reply():
    found = parse_message(Cursor(REPLY))

    assert len(REPLY) == 239
    assert (found.effect, found.short_name, found.long_name) == ("announce", "shelf", "the lamp on the shelf")
    assert format_address(found.node_address) == "192.0.2.20"
    assert found.node_link == bytes.fromhex("020000000020")
    assert found.firmware_version == 0x0102


def test_poll_reply_of_an_older_version_ends_before_the_link_address():
    assert parse_message(Cursor(REPLY[:200])).node_link is None


@pytest.mark.parametrize(
    ("operation", "effect"),
    [
        (0x2300, "announce"),
        (0x2400, "configuration"),
        (0x2700, "read"),
        (0x5200, "light"),
        (0x6000, "configuration"),
        (0x7000, "configuration"),
        (0x8000, "read"),
        (0x8100, "announce"),
        (0x8200, "other"),
        (0x9700, "other"),
        (0x9900, "light"),
        (0xF200, "firmware"),
        (0xF300, "other"),
        (0xF400, "configuration"),
        (0xF500, "read"),
        (0xF600, "announce"),
        (0xF900, "announce"),
        (0x1234, "other"),
    ],
)
def test_effects(operation, effect):
    found = parse_message(Cursor(packet(operation, bytes(20))))

    assert (found.operation, found.effect) == (operation, effect)


@pytest.mark.parametrize(
    ("command", "effect"),
    [
        pytest.param(0x00, "read", id="asks-only"),
        pytest.param(0x04, "read", id="address-without-permission"),
        pytest.param(0x80, "read", id="permission-for-nothing"),
        pytest.param(0x84, "configuration", id="address"),
        pytest.param(0xC0, "configuration", id="dhcp"),
        pytest.param(0x88, "configuration", id="defaults"),
        pytest.param(0x90, "configuration", id="gateway"),
        pytest.param(0x87, "configuration", id="address-mask-port"),
    ],
)
def test_address_programming_counts_when_it_programs_something(command, effect):
    assert parse_message(Cursor(ip_program(command))).effect == effect


def address(short=b"", long=b"", switches=b"\x7f" * 8, command=0, net=0x7F):
    names = short.ljust(18, b"\0") + long.ljust(64, b"\0")
    return packet(0x6000, bytes([net, 0]) + names + switches + b"\xff" + bytes([command]))


@pytest.mark.parametrize(
    ("octets", "effect", "changes"),
    [
        pytest.param(address(b"shelf"), "configuration", ("short-name",), id="short-name"),
        pytest.param(address(long=b"the lamp"), "configuration", ("long-name",), id="long-name"),
        pytest.param(address(net=0x81), "configuration", ("port-address",), id="net"),
        pytest.param(
            address(switches=b"\x7f" * 7 + b"\x83"), "configuration", ("port-address",), id="last-output"
        ),
        pytest.param(
            address(switches=b"\x7f" * 7 + b"\x00"), "configuration", ("port-address",), id="output-reset"
        ),
        pytest.param(address(command=0x10), "configuration", ("command",), id="merge-mode"),
        pytest.param(address(command=0x90), "light", ("command",), id="clear-output"),
        pytest.param(address(b"shelf", command=0x90), "configuration", ("short-name", "command"), id="both"),
        pytest.param(address(), "read", (), id="nothing"),
        pytest.param(address()[:30], "configuration", (), id="cut-before-it-says-what"),
    ],
)
def test_what_an_address_packet_sets(octets, effect, changes):
    assert len(address()) == 106
    found = parse_message(Cursor(octets))

    assert (found.effect, found.changes) == (effect, changes)


def test_name_that_an_address_packet_sets():
    found = parse_message(Cursor(address(b"shelf", b"the lamp\x1b[2J")))

    assert (found.short_name, found.long_name) == ("shelf", "the lamp\\027[2J")


def rdm(command_class, parameter):
    """RDM without its start code: sub start code, length, both identifiers, transaction, port, count, sub-device."""
    device = bytes.fromhex("01 18 7ff000000001 7ff000000002 00 01 00 0000")
    return packet(
        0x8300, b"\x01" + bytes(8) + bytes(3) + device + bytes([command_class]) + parameter + b"\0\0\0"
    )


def rdm_sub(command_class, parameter):
    return packet(
        0x8400, b"\x01\0" + bytes.fromhex("7ff000000001") + b"\0" + bytes([command_class]) + parameter
    )


@pytest.mark.parametrize("build", [rdm, rdm_sub])
@pytest.mark.parametrize(
    ("command_class", "parameter", "effect"),
    [
        (0x10, 0x0001, "read"),
        (0x11, 0x0001, "announce"),
        (0x20, 0x0060, "read"),
        (0x21, 0x0060, "announce"),
        (0x30, 0x00F0, "configuration"),
        (0x30, 0x1000, "light"),
        (0x31, 0x00F0, "announce"),
        (0x7F, 0x00F0, "other"),
    ],
)
def test_remote_device_management(build, command_class, parameter, effect):
    octets = build(command_class, parameter.to_bytes(2, "big"))
    found = parse_message(Cursor(octets))

    assert (found.effect, found.rdm_command_class, found.rdm_parameter) == (effect, command_class, parameter)
    assert_every_truncation_is_reported(
        parse_message, octets, shortest_whole=46 if build is rdm else len(octets)
    )


def test_vector_of_address_programming():
    assert parse_message(Cursor(IP_PROGRAM)).operation == 0xF800


@pytest.mark.parametrize("octets", [DMX], ids=["data"])
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


@pytest.mark.parametrize(
    ("octets", "shortest"),
    [(POLL, 12), (REPLY, 108), (IP_PROGRAM, 15)],
    ids=["poll", "reply", "address-programming"],
)
def test_every_truncation_of_what_is_kept_is_reported(octets, shortest):
    assert_every_truncation_is_reported(parse_message, octets, shortest_whole=shortest)


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(b"Art-Nett\x00\x20", MalformedError, "identifier", 0, id="another-protocol"),
        pytest.param(DMX[:16] + b"\x02\x01" + bytes(600), MalformedError, "length", 16, id="513-slots"),
        pytest.param(DMX[:16] + b"\xff\xff", MalformedError, "length", 16, id="65535-slots"),
        pytest.param(DMX[:16] + b"\x02\x00" + bytes(511), TruncatedError, "data", 18, id="511-of-512-slots"),
        pytest.param(DMX[:15], TruncatedError, "port_address", 15, id="half-an-address"),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


@given(universe=st.integers(0, 255), levels=st.binary(min_size=1, max_size=255).map(lambda o: o * 2))
def test_reads_what_another_library_wrote(universe, levels):
    sender = StupidArtnet("127.0.0.1", universe=universe, packet_size=len(levels))
    try:
        sender.set(bytearray(levels))
        octets = bytes(sender.packet_header + sender.buffer)
    finally:
        sender.close()

    found = parse_message(Cursor(octets))

    assert (found.effect, found.universe, found.slots) == ("light", universe, len(levels))
    assert looks_like(octets[:64])


def test_reads_synchronization_another_library_wrote():
    sender = StupidArtnet("127.0.0.1", artsync=True)
    try:
        sender.make_artsync_header()
        octets = bytes(sender.artsync_header)
    finally:
        sender.close()

    assert parse_message(Cursor(octets)).operation == 0x5200


def test_name_that_a_terminal_would_obey_is_escaped():
    octets = REPLY[:26] + b"\x1b]0;x\x07\0" + REPLY[34:]

    assert parse_message(Cursor(octets)).short_name == "\\027]0;x\\007"


@given(
    damaged(POLL, DMX, REPLY, IP_PROGRAM, address(b"a", b"b"), rdm(0x30, b"\0\xf0"), rdm_sub(0x30, b"\0\xf0"))
)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)
