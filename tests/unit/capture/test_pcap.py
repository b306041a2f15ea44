"""
Files are put together by the figures of draft-ietf-opsawg-pcap, sections 4 and 5.

Oracle: dpkt 1.9.8 (BSD), which writes and reads the same files.
"""

import io

import dpkt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.unit.capture.octets_of_captures import kinds, pcap, read_all

SECOND = 1_000_000_000


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("nanoseconds", "unit"), [(False, 1000), (True, 1)])
def test_both_byte_orders_and_both_units(order, nanoseconds, unit):
    octets = pcap(
        [(1_700_000_000, 5, b"abc"), (1_700_000_001, 999_999, b"defg", 60)],
        order=order,
        nanoseconds=nanoseconds,
    )

    rows, facts = read_all(octets)

    assert [row[0] for row in rows] == [b"abc", b"defg"]
    assert [row[1] for row in rows] == [3, 60]
    assert [row[2] for row in rows] == [
        1_700_000_000 * SECOND + 5 * unit,
        1_700_000_001 * SECOND + 999_999 * unit,
    ]
    assert [row[5] for row in rows] == [1, 2]
    assert (facts.format, facts.packets, facts.clipped_packets) == ("pcap", 2, 1)
    assert kinds(facts) == {"clipped"}


def test_only_the_low_half_of_the_link_field_is_the_link_type():
    """Section 4: the upper bits tell of a frame check sequence."""
    rows, facts = read_all(pcap([(1, 0, b"x")], link_field=0x5400_0071))

    assert rows[0][3] == facts.interfaces[0].link_type == 113


def test_a_file_without_records_is_a_capture():
    rows, facts = read_all(pcap([]))

    assert (rows, facts.packets, facts.first_ns, facts.issues) == ([], 0, None, ())


@settings(max_examples=40)
@given(
    records=st.lists(
        st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 999_999), st.binary(max_size=90)), max_size=12
    ),
    batch=st.integers(32, 200),
)
def test_agrees_with_another_reader_whatever_the_window(records, batch):
    octets = pcap(records)
    expected = [frame for _, frame in dpkt.pcap.Reader(io.BytesIO(octets))]
    if any(not seconds and not frame for seconds, _, frame in records):
        return  # two such records in a row read as octets never written, tested below

    rows, facts = read_all(octets, batch_octets=batch)

    assert [row[0] for row in rows] == expected
    assert facts.packets == len(expected)


def test_reads_what_another_library_wrote():
    file = io.BytesIO()
    writer = dpkt.pcap.Writer(file, nano=True, linktype=dpkt.pcap.DLT_LINUX_SLL)
    writer.writepkt(b"frame", ts=1_700_000_000.5)
    rows, _facts = read_all(file.getvalue())

    assert rows[0][:4] == (b"frame", 5, 1_700_000_000_500_000_000, 113)


RECORDS = [(1_700_000_000 + n, n, bytes([n]) * (40 + n)) for n in range(60)]


@pytest.mark.parametrize("cut", [1, 15, 16, 17, 60, 100])
def test_cut_short_delivers_what_stands_before(cut):
    octets = pcap(RECORDS)[:-cut]

    rows, facts = read_all(octets)

    assert 58 <= len(rows) < 60
    assert [row[0] for row in rows] == [octets for _, _, octets in RECORDS[: len(rows)]]
    assert kinds(facts) == {"cut-short"}
    assert f"record {len(rows) + 1} at octet" in facts.issues[0].detail


def test_cut_inside_the_file_header():
    rows, facts = read_all(pcap([])[:20])

    assert rows == []
    assert kinds(facts) == {"cut-short"}


@pytest.mark.parametrize("length", [0xFFFF_FFFF, 3_000, 70_000, 900_000])
@pytest.mark.parametrize("batch", [256, 1 << 20])
def test_goes_on_behind_a_damaged_length(length, batch):
    """A length that leads past its neighbours costs them at most; what stands before and behind is delivered."""
    octets = bytearray(pcap(RECORDS))
    at = 24 + sum(16 + len(frame) for _, _, frame in RECORDS[:20])
    octets[at + 8 : at + 12] = length.to_bytes(4, "little")

    rows, facts = read_all(bytes(octets), batch_octets=batch)

    frames = [row[0] for row in rows]
    assert frames[:20] == [frame for _, _, frame in RECORDS[:20]]
    assert frames[-39:] == [frame for _, _, frame in RECORDS[21:]]
    assert "damaged" in kinds(facts)
    assert str(at) in facts.issues[0].detail


def test_octets_never_written_are_no_packets():
    """A file system leaves zeros where a crash cut the writing off (common practice)."""
    octets = pcap(RECORDS) + bytes(4096)

    rows, facts = read_all(octets)

    assert len(rows) == 60
    assert facts.packets == 60 + 4096 // 16  # as packet viewers count: what follows keeps its number
    assert kinds(facts) == {"damaged"}
    assert "packet 61" in facts.issues[0].detail
    assert facts.first_ns != 0


def test_what_follows_zeros_keeps_its_number():
    octets = pcap(RECORDS[:3]) + bytes(16 * 5) + pcap(RECORDS[3:])[24:]

    rows, facts = read_all(octets)

    assert [row[0] for row in rows] == [frame for _, _, frame in RECORDS]
    assert facts.packets == 65


def test_a_clock_that_was_set_back_is_told():
    rows, facts = read_all(pcap([(1000, 0, b"a"), (900, 0, b"b"), (901, 0, b"c")]))

    assert len(rows) == 3
    (issue,) = facts.issues
    assert (issue.kind.value, issue.count) == ("clock", 1)
    assert "packet 2" in issue.detail
    assert (facts.first_ns, facts.last_ns) == (900 * SECOND, 1000 * SECOND)


def test_a_clock_set_back_between_two_windows_is_told():
    _rows, facts = read_all(pcap([(1000 - 10 * n, 0, b"a" * 60) for n in range(8)]), batch_octets=80)

    (issue,) = facts.issues
    assert (issue.kind.value, issue.count) == ("clock", 7)
    assert "packet 2" in issue.detail


def test_another_version_is_read_and_told():
    rows, facts = read_all(pcap([(1, 0, b"a")], version=(2, 5)))

    assert len(rows) == 1
    assert kinds(facts) == {"unsupported"}


def test_many_damaged_places_end_the_search():
    octets = bytearray(pcap(RECORDS * 40))
    at = 24
    for number, (_, _, frame) in enumerate(RECORDS * 40):
        if number % 20 == 10:
            octets[at + 8 : at + 12] = b"\xff\xff\xff\xff"
        at += 16 + len(frame)

    rows, facts = read_all(bytes(octets))

    assert 500 < len(rows) < 2400
    assert facts.issues[-1].kind.value in {"damaged", "clock"}
    assert any("more than 32 places" in issue.detail for issue in facts.issues)
