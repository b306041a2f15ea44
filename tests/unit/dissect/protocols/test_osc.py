"""
Vectors: OSC 1.0 specification, page of examples ("/oscillator/4/frequency", and the message to "/foo").

Oracle: python-osc, which builds and reads messages and bundles, and frames by SLIP.
"""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc import slip
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope, PassedOver
from auditor.dissect.protocols.osc import (
    DISSECTORS,
    MAX_ADDRESSES,
    MAX_NESTING,
    OscPacket,
    looks_like,
    looks_like_stream,
    parse_datagram,
    parse_stream,
)
from auditor.dissect.registry import Conversation
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)
from tests.unit.dissect.packets import LAMP, PHONE, Connection, datagram, dispatch

FREQUENCY = vector("osc/osc-440")
# The second example: "/foo" with 1000, -1, "hello", 1.234 and 5.678.
FOO = (
    bytes.fromhex("2f666f6f 00000000 2c696973 66660000 000003e8 ffffffff")
    + b"hello\0\0\0"
    + bytes.fromhex("3f9df3b6 40b5b22d")
)
NOW = bytes(7) + b"\x01"


def bundle(*elements):
    return b"#bundle\0" + NOW + b"".join(len(e).to_bytes(4, "big") + e for e in elements)


def counted(octets):
    return len(octets).to_bytes(4, "big") + octets


def read(octets):
    assert looks_like(octets[:64])
    return parse_datagram(Cursor(octets))


def read_stream(octets):
    return parse_stream(Cursor(octets), True, Conversation())


NESTED = bundle(FREQUENCY, bundle(FOO, bundle()), FREQUENCY)


def test_message_of_the_specification():
    assert read(FREQUENCY) == OscPacket(
        length=32,
        addresses=("/oscillator/4/frequency",),
        type_tags=("f",),
        messages=1,
        bundles=0,
        framing="datagram",
    )


def test_message_with_several_arguments():
    found = read(FOO)

    assert (found.addresses, found.type_tags, found.has_unknown_types) == (("/foo",), ("iisff",), False)


def test_bundles_inside_each_other():
    found = read(NESTED)

    assert (found.messages, found.bundles) == (3, 3)
    assert found.addresses == ("/oscillator/4/frequency", "/foo")


@pytest.mark.parametrize("octets", [FREQUENCY, FOO, bundle(FOO)], ids=["one", "several", "bundle"])
def test_every_truncation_is_reported(octets):
    # A bundle that ends behind its time tag, and a message that ends behind its address, are whole.
    whole = {8, 16, 24} if octets is FREQUENCY else {8} if octets is FOO else {16}
    for length in range(len(octets)):
        if length in whole:
            continue
        with pytest.raises(TruncatedError) as info:
            parse_datagram(Cursor(octets[:length]))
        assert 0 <= info.value.offset <= length


@pytest.mark.parametrize("octets", [counted(FOO), counted(NESTED)], ids=["message", "bundle"])
def test_every_truncation_of_a_counted_packet_is_waited_for(octets):
    assert_every_truncation_is_reported(lambda c: parse_stream(c, True, Conversation()), octets)


def test_every_truncation_of_a_framed_packet_is_waited_for():
    octets = slip.encode(FOO)
    for length in range(2, len(octets)):
        with pytest.raises(TruncatedError):
            read_stream(octets[:length])


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(b"foo\0,\0\0\0", MalformedError, "address_pattern", 0, id="no-slash"),
        pytest.param(b"/a b\0\0\0\0,\0\0\0", MalformedError, "address_pattern", 0, id="space"),
        pytest.param(b"/\x1b[2J\0\0\0,\0\0\0", MalformedError, "address_pattern", 0, id="terminal"),
        pytest.param(b"/a\0x,\0\0\0", MalformedError, "address_pattern", 2, id="padding"),
        pytest.param(b"/a\0\0,f\0\0\0\0", TruncatedError, "argument", 8, id="half-a-number"),
        pytest.param(b"/a\0\0,b\0\0\xff\xff\xff\xff", TruncatedError, "argument", 8, id="blob-of-4-gib"),
        pytest.param(b"/a\0\0,i\0\0" + bytes(8), MalformedError, "arguments", 12, id="left-over"),
        pytest.param(bundle(b"") + FOO, MalformedError, "element_size", 16, id="element-of-0"),
        pytest.param(bundle(FOO + b"\0"), MalformedError, "element_size", 16, id="size-no-multiple-of-4"),
        pytest.param(bundle()[:12], TruncatedError, "time_tag", 8, id="half-a-time"),
        pytest.param(bundle(FOO)[:-4], TruncatedError, "element", 20, id="element-passes-the-end"),
        # An inner element may not reach behind the bundle that holds it.
        pytest.param(
            bundle(b"#bundle\0" + NOW + (40).to_bytes(4, "big") + FOO[:8], FOO),
            TruncatedError,
            "element",
            40,
            id="element-passes-its-bundle",
        ),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_datagram(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


def deep(levels):
    octets = FREQUENCY
    for _ in range(levels):
        octets = bundle(octets)
    return octets


def test_nesting_is_bounded():
    assert parse_datagram(Cursor(deep(MAX_NESTING))).bundles == MAX_NESTING
    with pytest.raises(LimitError):
        parse_datagram(Cursor(deep(MAX_NESTING + 1)))
    with pytest.raises(LimitError):
        parse_datagram(Cursor(deep(3000)))


def test_addresses_are_bounded():
    found = read(bundle(*(b"/%03d\0\0\0\0,\0\0\0" % n for n in range(500))))

    assert (found.messages, len(found.addresses)) == (500, MAX_ADDRESSES)


def test_type_outside_the_specification_ends_the_arguments_of_its_message():
    found = read(b"/a\0\0,iZ\0" + bytes(4) + b"what ever")

    assert (found.type_tags, found.has_unknown_types) == (("iZ",), True)


def test_type_tags_that_a_terminal_would_obey_are_escaped():
    assert parse_datagram(Cursor(b"/a\0\0,\x9b2J\0\0\0\0")).type_tags == ("\\x9b2J",)


def test_message_without_type_tags_is_read_inside_a_bundle_only():
    old = b"/lamp\0\0\0" + struct.pack(">f", 0.5)

    assert not looks_like(old)
    assert read(bundle(old)).type_tags == (None,)


def test_secret_is_sighted_and_not_kept():
    found = read(b"/set/password\0\0\0,s\0\0not-this\0\0\0\0")

    assert [(s.kind, s.place, s.field) for s in found.secrets] == [("password", "osc-argument", "password")]
    assert "not-this" not in repr(found)


@pytest.mark.parametrize("octets", [FREQUENCY, FOO, NESTED], ids=["one", "several", "bundles"])
@pytest.mark.parametrize("framing", ["slip", "length"])
def test_stream(octets, framing):
    framed = slip.encode(octets) if framing == "slip" else counted(octets)

    assert looks_like_stream(framed[:64])
    found = read_stream(framed + framed[:20])
    plain = parse_datagram(Cursor(octets))
    assert (found.length, found.framing) == (len(framed), framing)
    assert (found.addresses, found.messages) == (plain.addresses, plain.messages)


def test_slip_packets_that_share_their_end():
    assert read_stream(FREQUENCY + b"\xc0" + FOO).addresses == ("/oscillator/4/frequency",)


def test_ends_alone_say_nothing():
    assert read_stream(b"\xc0\xc0") == PassedOver(length=2)


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\xc0/a\0\0\xdb\x00\0\0\xc0", MalformedError, "escape", id="escape-of-nothing"),
        pytest.param(b"\xc0/a\0\0\xdb\xc0", MalformedError, "escape", id="escape-at-the-end"),
        pytest.param(b"\0\0\0\x0a" + bytes(10), MalformedError, "length", id="no-multiple-of-4"),
        pytest.param(bytes(8), MalformedError, "length", id="length-of-0"),
        pytest.param(b"\x7f\xff\xff\xfc/a\0\0", LimitError, "length", id="length-of-2-gib"),
        pytest.param(b"/" + b"a" * 130_000, LimitError, "packet", id="no-end"),
        pytest.param(b"\0\0\0", TruncatedError, "length", id="half-a-length"),
        pytest.param(b"", TruncatedError, "packet", id="nothing"),
    ],
)
def test_error_of_a_stream(octets, error, field):
    with pytest.raises(error) as info:
        read_stream(octets)

    assert info.value.field == field


def another_message(address, arguments):
    builder = OscMessageBuilder("/" + address)
    for kind, value in arguments:
        builder.add_arg(value, kind)
    return builder.build()


MESSAGES = st.builds(
    another_message,
    st.text("abc/*?019", max_size=40),
    st.lists(
        st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1))
        | st.tuples(st.just("h"), st.integers(-(2**63), 2**63 - 1))
        | st.tuples(st.just("f"), st.floats(width=32, allow_nan=False))
        | st.tuples(st.just("d"), st.floats(allow_nan=False))
        | st.tuples(st.just("s"), st.text(st.characters(exclude_characters="\0", codec="utf-8"), max_size=20))
        | st.tuples(st.just("b"), st.binary(min_size=1, max_size=20))
        | st.tuples(st.just("T"), st.just(True))
        | st.tuples(st.just("N"), st.none()),
        max_size=6,
    ),
)


@given(MESSAGES)
def test_reads_messages_another_library_wrote(message):
    found = read(message.dgram)

    assert found.addresses == (message.address,)
    assert len(found.type_tags[0]) == len(message.params)
    assert not found.has_unknown_types


@given(st.lists(MESSAGES, min_size=1, max_size=5), st.booleans(), st.sampled_from(["slip", "length"]))
def test_reads_bundles_another_library_wrote(messages, is_nested, framing):
    builder = OscBundleBuilder(IMMEDIATELY)
    for message in messages:
        builder.add_content(message)
    octets = builder.build().dgram
    if is_nested:
        outer = OscBundleBuilder(IMMEDIATELY)
        outer.add_content(OscBundle(octets))
        octets = outer.build().dgram

    found = read_stream(slip.encode(octets) if framing == "slip" else counted(octets))

    assert (found.messages, found.bundles) == (len(messages), 1 + is_nested)
    assert found.addresses == tuple(dict.fromkeys(message.address for message in messages))


@given(damaged(FREQUENCY, FOO))
def test_what_we_read_another_library_reads_alike(octets):
    """The library is laxer: it must agree on what we accept, not on what we refuse."""
    try:
        found = parse_datagram(Cursor(octets))
    except DecodeError:
        return
    # It knows no "c" and "S", and wants UTF-8 where the specification says ASCII.
    if octets.isascii() and not found.bundles and set(found.type_tags[0] or "Z") <= set("ifhdsbTF"):
        message = OscMessage(octets)
        assert (message.address, len(message.params)) == (found.addresses[0], len(found.type_tags[0]))


@given(damaged(FREQUENCY, FOO, NESTED))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_datagram, octets)


@given(damaged(slip.encode(FOO), counted(FOO), slip.encode(NESTED), counted(NESTED)))
def test_any_octets_of_a_stream_give_a_message_or_a_decode_error(octets):
    try:
        outcome = read_stream(octets)
    except DecodeError as error:
        outcome = error
    if isinstance(outcome, DecodeError):
        assert 0 <= outcome.offset <= len(octets)
        assert outcome.field
    else:
        assert 0 < outcome.length <= len(octets)


@pytest.mark.parametrize(
    "octets",
    [
        pytest.param(b"/path/to/something HTTP/1.1\r\n", id="path"),
        pytest.param(b"/a\0\0", id="address-alone"),
        pytest.param(b"/a\0\0f\0\0\0", id="no-comma"),
        pytest.param(b"/a\0b,\0\0\0", id="padding"),
        pytest.param(b"#bundle", id="half-a-bundle"),
        pytest.param(b"# a comment in plain words", id="comment"),
        pytest.param(b"", id="nothing"),
    ],
)
def test_beginnings_of_others(octets):
    assert not looks_like(octets[:64])
    assert not looks_like_stream(b"\xc0" + octets[:63])
    assert not looks_like_stream(counted(octets)[:64])


# A conversation whose opening was not recorded is found by its first segment, which must tell enough; the
# octets 0 of a length do not.
@pytest.mark.parametrize(
    ("framing", "opened", "pieces"),
    [
        *((framing, True, pieces) for framing in ("slip", "length") for pieces in (1, 7, 1460)),
        ("slip", False, 20),
        ("slip", False, 1460),
    ],
)
def test_connection_on_any_port(framing, opened, pieces):
    frame = slip.encode if framing == "slip" else counted
    connection = Connection(server_port=9_123)
    if opened:
        connection.open()
    connection.client(frame(FREQUENCY) + frame(NESTED) + frame(FOO), pieces)

    items = dispatch(connection.close().packets, Dispatcher(DISSECTORS, strict=True))

    assert all(isinstance(item, Envelope) for item in items)
    assert [item.message.messages for item in items] == [1, 3, 1]
    assert {item.protocol for item in items} == {"osc"}


def test_datagrams_on_any_port():
    packets = [datagram(PHONE, LAMP, 50_000, 9_000, FREQUENCY), datagram(PHONE, LAMP, 50_000, 9_000, NESTED)]

    items = dispatch(packets, Dispatcher(DISSECTORS, strict=True))

    assert [item.message.messages for item in items] == [1, 3]
