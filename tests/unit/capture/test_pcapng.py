"""
Files are put together by the figures of draft-ietf-opsawg-pcapng.

Oracle: scapy 2.8 (GPL-2.0-only), which reads the same files; and the field
values written into them.
"""

import io
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.utils import RawPcapNgReader

from tests.unit.capture.octets_of_captures import (
    END,
    block,
    enhanced,
    interface,
    kinds,
    obsolete,
    option,
    read_all,
    section,
    simple,
    statistics,
)

SECOND = 1_000_000_000
MICROSECONDS = 1_700_000_000_123_456


@pytest.mark.parametrize("order", ["<", ">"])
def test_every_packet_block_in_both_byte_orders(order):
    octets = (
        section(order)
        + interface(order=order)
        + enhanced(MICROSECONDS, b"enhanced", order=order)
        + obsolete(MICROSECONDS + 1, b"obsolete", order=order)
        + simple(b"simple", order=order)
    )

    rows, facts = read_all(octets)

    assert [row[0] for row in rows] == [b"enhanced", b"obsolete", b"simple"]
    assert [row[2] for row in rows] == [
        MICROSECONDS * 1000,
        (MICROSECONDS + 1) * 1000,
        (MICROSECONDS + 1) * 1000,
    ]
    assert [row[5] for row in rows] == [1, 2, 3]
    assert kinds(facts) == {"clock"}  # the simple block has no time of its own


@pytest.mark.parametrize(
    ("resolution", "offset_seconds", "raw", "expected"),
    [
        pytest.param(6, 0, MICROSECONDS, MICROSECONDS * 1000, id="microseconds"),
        pytest.param(9, 0, 1_700_000_000_123_456_789, 1_700_000_000_123_456_789, id="nanoseconds"),
        pytest.param(3, 0, 1_700_000_000_123, 1_700_000_000_123_000_000, id="milliseconds"),
        pytest.param(0, 0, 1_700_000_000, 1_700_000_000 * SECOND, id="seconds"),
        pytest.param(12, 0, 5_000_000_000_123, 5_000_000_000, id="picoseconds"),
        pytest.param(0x80 | 10, 0, 1024 * 7 + 512, 7_500_000_000, id="1024ths"),
        pytest.param(0x80 | 32, 0, (9 << 32) + (1 << 31), 9_500_000_000, id="fixed-point"),
        pytest.param(0x80 | 63, 0, (1 << 63) + (1 << 62), 1_500_000_000, id="finest-binary"),
        pytest.param(127, 0, 2**64 - 1, 0, id="absurdly-fine"),
        pytest.param(6, 3600, 1_000_000, 3601 * SECOND, id="offset"),
        pytest.param(6, -3600, 0, -3600 * SECOND, id="negative-offset"),
    ],
)
def test_each_interface_has_its_own_clock(resolution, offset_seconds, raw, expected):
    """Section 4.2: if_tsresol and if_tsoffset; the second interface keeps the default of microseconds."""
    options = option(9, bytes([resolution])) + option(14, struct.pack("<q", offset_seconds)) + END
    octets = (
        section()
        + interface(options=options)
        + interface()
        + enhanced(raw, b"a")
        + enhanced(77, b"b", interface_id=1)
    )

    rows, _ = read_all(octets)

    assert rows[0][2] == expected
    assert rows[1][2] == 77_000
    assert [row[4] for row in rows] == [0, 1]


def test_a_time_past_64_bits_is_clipped_and_told():
    octets = section() + interface(options=option(9, b"\0") + END) + enhanced(2**63, b"a") + enhanced(5, b"b")

    rows, facts = read_all(octets)

    assert [row[2] for row in rows] == [2**63 - 1, 5 * SECOND]
    assert "clock" in kinds(facts)


def test_sections_of_different_byte_order_and_link_type():
    octets = b"".join(
        (
            section("<") + interface(1) + interface(113) + enhanced(1, b"a", interface_id=1),
            section(">") + interface(276, order=">") + enhanced(2, b"b", order=">"),
            section("<") + interface(1) + enhanced(3, b"c"),
        )
    )

    rows, facts = read_all(octets)

    assert [(row[0], row[3], row[4]) for row in rows] == [(b"a", 113, 1), (b"b", 276, 2), (b"c", 1, 3)]
    assert [item.link_type for item in facts.interfaces] == [1, 113, 276, 1]
    assert facts.issues == ()


def test_what_the_interface_says_of_itself():
    text = (
        option(2, b"eth0")
        + option(3, b"lamp side")
        + option(11, b"\0port 80")
        + option(12, b"an os")
        + option(15, b"a card")
    )
    drops = (
        option(4, struct.pack("<Q", 100))
        + option(5, struct.pack("<Q", 3))
        + option(7, struct.pack("<Q", 4))
        + END
    )
    octets = section() + interface(127, 96, text + END) + enhanced(1, b"a") + statistics(0, drops)

    _, facts = read_all(octets)

    (item,) = facts.interfaces
    assert (item.link_type, item.snap_length, item.name, item.description) == (127, 96, "eth0", "lamp side")
    assert (item.capture_filter, item.operating_system, item.hardware) == ("port 80", "an os", "a card")
    assert (item.received, item.dropped) == (100, 7)
    assert {(issue.kind.value, issue.count) for issue in facts.issues} == {("filtered", 1), ("dropped", 7)}
    assert "port 80" in facts.issues[0].detail


def test_a_compiled_filter_is_named_as_such():
    _, facts = read_all(section() + interface(options=option(11, b"\1" + bytes(8)) + END))

    assert facts.interfaces[0].capture_filter == "(compiled)"
    assert kinds(facts) == {"filtered"}


def test_comments_and_drop_counts_of_packets():
    flags = option(2, bytes(4))
    octets = (
        section(options=option(1, "vor der Aufnahme ☀".encode()) + END)
        + interface(options=option(1, b"on the interface") + END)
        + enhanced(5, b"abc", options=flags + option(1, b"light on") + option(4, struct.pack("<Q", 9)) + END)
        + enhanced(6, b"abcd", options=option(1, b"light off"))
        + enhanced(7, b"abcd", options=flags + END)
    )

    _, facts = read_all(octets)

    told = [(comment.text, comment.timestamp_ns, comment.packet_number) for comment in facts.comments]
    assert told == [
        ("vor der Aufnahme ☀", None, None),
        ("on the interface", None, None),
        ("light on", 5000, 1),
        ("light off", 6000, 2),
    ]
    assert [(issue.kind.value, issue.count) for issue in facts.issues] == [("dropped", 9)]


def test_blocks_without_packets_are_stepped_over():
    """Name resolution 4, journal 9, decryption secrets 10, custom bad and 40000bad, one not assigned."""
    others = b"".join(block(kind, b"12345678") for kind in (4, 9, 10, 0x0BAD, 0x40000BAD, 0x7777_7777))
    rows, facts = read_all(section() + others + interface() + others + enhanced(1, b"a") + others)

    assert [row[0] for row in rows] == [b"a"]
    assert facts.issues == ()


def test_a_block_longer_than_the_window_is_stepped_over():
    rows, facts = read_all(
        section() + interface() + block(10, bytes(300_000)) + enhanced(1, b"a"), batch_octets=1024
    )

    assert [row[0] for row in rows] == [b"a"]
    assert facts.issues == ()


def test_simple_packets_are_bounded_by_the_snap_length():
    """Section 4.4: the captured length is the least of original length and snap length."""
    rows, facts = read_all(section() + interface(1, 5) + simple(b"abcde\0\0\0", original=99) + simple(b"abc"))

    assert [(row[0], row[1]) for row in rows] == [(b"abcde", 99), (b"abc", 3)]
    assert facts.clipped_packets == 1
    assert facts.first_ns is None  # no packet carries a time


def test_packets_of_undeclared_interfaces_are_counted_and_left_out():
    rows, facts = read_all(section() + interface() + enhanced(1, b"a", interface_id=4) + enhanced(2, b"b"))

    assert [(row[0], row[5]) for row in rows] == [(b"b", 2)]
    assert facts.issues[0].kind.value == "damaged"
    assert "packet 1" in facts.issues[0].detail


def test_a_frame_never_passes_its_block():
    octets = bytearray(section() + interface() + enhanced(1, b"abcd") + enhanced(2, b"efgh"))
    at = octets.index(b"abcd") - 8
    octets[at : at + 4] = (4000).to_bytes(4, "little")

    rows, facts = read_all(bytes(octets))

    assert [row[0] for row in rows] == [b"abcd", b"efgh"]
    assert kinds(facts) == {"damaged"}


PACKETS = [enhanced(1000 + number, bytes([number]) * (50 + number)) for number in range(40)]


@pytest.mark.parametrize("where", [4, "end"])
@pytest.mark.parametrize("value", [0, 7, 11, 0xFFFF_FFFC, 90_001, 2_000])
@pytest.mark.parametrize("batch", [300, 1 << 20])
def test_goes_on_behind_a_damaged_length(where, value, batch):
    damaged = bytearray(PACKETS[10])
    at = len(damaged) - 4 if where == "end" else 4
    damaged[at : at + 4] = value.to_bytes(4, "little")
    octets = section() + interface() + b"".join([*PACKETS[:10], bytes(damaged), *PACKETS[11:]])

    rows, facts = read_all(octets, batch_octets=batch)

    frames = [row[0] for row in rows]
    assert frames[:10] == [bytes([number]) * (50 + number) for number in range(10)]
    assert frames[-29:] == [bytes([number]) * (50 + number) for number in range(11, 40)]
    assert "damaged" in kinds(facts)


@pytest.mark.parametrize("cut", [1, 4, 11, 12, 50, 90])
def test_cut_short_delivers_what_stands_before(cut):
    rows, facts = read_all((section() + interface() + b"".join(PACKETS))[:-cut])

    assert len(rows) == 39
    assert kinds(facts) == {"cut-short"}


def test_section_of_another_version_is_read_and_told():
    rows, facts = read_all(section(version=(2, 0)) + interface() + enhanced(1, b"a"))

    assert len(rows) == 1
    assert kinds(facts) == {"unsupported"}


@settings(max_examples=40)
@given(
    packets=st.lists(
        st.tuples(st.integers(0, 2**50), st.binary(max_size=80), st.integers(0, 1), st.booleans()),
        max_size=10,
    ),
    batch=st.integers(64, 400),
    order=st.sampled_from("<>"),
)
def test_agrees_with_another_reader_whatever_the_window(packets, batch, order):
    octets = (
        section(order)
        + interface(1, order=order)
        + interface(101, options=option(9, b"\x09", order) + END, order=order)
    )
    for time, frame, number, commented in packets:
        options = option(1, b"remark", order) + END if commented else b""
        octets += enhanced(time, frame, interface_id=number, options=options, order=order)
    expected = []
    for frame, meta in RawPcapNgReader(io.BytesIO(octets)):
        time = (meta.tshigh << 32) + meta.tslow
        expected.append((frame, time * SECOND // meta.tsresol, meta.linktype))

    rows, facts = read_all(octets, batch_octets=batch)

    assert [(row[0], row[2], row[3]) for row in rows] == expected
    assert len(facts.comments) == sum(packet[3] for packet in packets)
