"""
Reassembly against a naive model: a dictionary from stream position to the octet that was recorded first.

Sequence arithmetic: RFC 9293 section 3.4; the wrap-around cases are built from its modulus, 2^32.
"""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows import stream as stream_module
from auditor.flows.block import MAX_WAITING_OCTETS, MAX_WAITING_SEGMENTS
from auditor.flows.flow import PacketReference
from auditor.flows.stream import (
    MAX_BUFFERED_OCTETS,
    MAX_BUFFERED_SEGMENTS,
    ByteStream,
)
from tests.steps import calls_of

WRAP = 1 << 32
initial_numbers = st.sampled_from([0, 1, 1_000, (1 << 31) - 5, 1 << 31, WRAP - 1, WRAP - 20]) | st.integers(
    0, WRAP - 1
)


def packet(number: int) -> PacketReference:
    return PacketReference(0, number)


def opened(initial: int) -> ByteStream:
    stream = ByteStream()
    stream.add(initial, b"", packet(1), 1, syn=True)
    return stream


def add(
    stream: ByteStream, initial: int, position: int, octets: bytes, number: int = 2, **flags: bool
) -> None:
    stream.add((initial + 1 + position) % WRAP, octets, packet(number), number, **flags)


@st.composite
def overlapping_segments(draw):
    """A message of up to 60 octets, cut into pieces that cover it in any order and overlap at will."""
    message = draw(st.binary(min_size=1, max_size=60))
    cuts = sorted(draw(st.sets(st.integers(1, len(message)), max_size=6)) | {0, len(message)})
    pieces = list(pairwise(cuts))
    extra = draw(st.lists(st.tuples(st.integers(0, len(message)), st.integers(0, len(message))), max_size=5))
    pieces += [(min(pair), max(pair)) for pair in extra]
    return message, draw(st.permutations(pieces))


@given(initial_numbers, overlapping_segments())
def test_any_order_and_overlap_gives_the_message(initial, sent):
    message, pieces = sent
    stream = opened(initial)

    for number, (start, stop) in enumerate(pieces, 2):
        add(stream, initial, start, message[start:stop], number)

    assert bytes(stream.available()) == message
    assert (stream.gap, stream.waiting_octets, stream.conflicting_octets) == (0, 0, 0)
    assert stream.has_beginning


@given(
    initial_numbers,
    st.lists(st.tuples(st.integers(0, 40), st.binary(max_size=12)), max_size=12),
    st.lists(st.integers(0, 9), max_size=12),
)
def test_first_recorded_octet_wins_as_in_the_model(initial, segments, reads):
    stream = opened(initial)
    held: dict[int, tuple[int, int]] = {}
    reader = conflicting = contradicting = 0
    for number, (position, octets) in enumerate(segments, 2):
        add(stream, initial, position, octets, number)
        differences = 0
        for at, value in enumerate(octets, position):
            if at >= reader:
                differences += held.setdefault(at, (value, number))[0] != value
        conflicting += differences
        contradicting += differences > 0 and len(octets) > 1
        if number - 2 < len(reads):
            count = reads[number - 2]
            stream.skip(count)
            reader += count
            held = {at: entry for at, entry in held.items() if at >= reader}

        expected = bytearray()
        while reader + len(expected) in held:
            expected.append(held[reader + len(expected)][0])
        assert bytes(stream.available()) == expected
        assert stream.position == reader
        for offset in range(len(expected)):
            assert stream.packet_at(offset) == (packet(held[reader + offset][1]), held[reader + offset][1])
        assert (stream.conflicting_octets, stream.contradicting_segments) == (conflicting, contradicting)
        waiting = [at for at in held if at >= reader + len(expected)]
        assert stream.waiting_octets == len(waiting)
        assert stream.gap == (min(waiting) - reader - len(expected) if waiting else 0)


def test_lost_segment_leaves_a_gap_that_can_be_passed():
    stream = opened(7)
    add(stream, 7, 0, b"head", 2)
    add(stream, 7, 10, b"tail", 4)

    assert bytes(stream.available()) == b"head"
    assert stream.gap == 6
    assert stream.skip_gap() == 6
    assert bytes(stream.available()) == b"tail"
    assert stream.packet_at(0) == (packet(4), 4)
    assert (stream.lost_octets, stream.gap, stream.skip_gap()) == (6, 0, 0)


def test_other_octets_for_a_held_position_are_counted_and_not_taken():
    stream = opened(7)
    add(stream, 7, 4, b"late")
    add(stream, 7, 4, b"LATE")
    add(stream, 7, 0, b"earl")
    add(stream, 7, 2, b"XX")

    assert bytes(stream.available()) == b"earllate"
    assert stream.conflicting_octets == 6


def test_beginning_that_was_not_recorded_is_said():
    stream = ByteStream()
    stream.add(500, b"middle", packet(1), 1)

    assert bytes(stream.available()) == b"middle"
    assert not stream.has_beginning


def test_late_segment_before_the_first_recorded_one_is_read_first():
    stream = ByteStream()
    stream.add(2, b"world", packet(1), 1)
    stream.add(WRAP - 4, b"hello ", packet(2), 2)

    assert bytes(stream.available()) == b"hello world"
    assert stream.packet_at(0)[0] == packet(2)
    assert stream.packet_at(6)[0] == packet(1)


def test_late_segment_does_not_move_a_reader_that_has_begun():
    stream = ByteStream()
    stream.add(100, b"world", packet(1), 1)
    stream.consume(1)
    stream.add(94, b"hello ", packet(2), 2)

    assert bytes(stream.available()) == b"orld"


def test_late_syn_marks_the_beginning():
    stream = ByteStream()
    stream.add(106, b"b", packet(1), 1)
    stream.add(99, b"", packet(2), 2, syn=True)

    assert stream.has_beginning
    assert stream.gap == 6
    stream.add(100, b"aaaaaa", packet(3), 3)
    assert bytes(stream.available()) == b"aaaaaab"


def test_octets_on_the_syn_are_read():
    """RFC 9293 section 3.4: SYN occupies a sequence number before the octets of its segment."""
    stream = ByteStream()
    stream.add(WRAP - 1, b"early", packet(1), 1, syn=True)
    stream.add(5, b"later", packet(2), 2)

    assert bytes(stream.available()) == b"earlylater"


def test_reader_far_ahead_meets_the_octets_that_follow():
    """A body of 5 GiB is passed over, more than the sequence space; what comes behind it must still be found."""
    stream = opened(WRAP - 10)
    length = 5 << 30
    stream.skip(length)
    position = 0
    while position < length:
        add(stream, WRAP - 10, position, b"x")
        position += 1 << 30
    assert bytes(stream.available()) == b""

    add(stream, WRAP - 10, length, b"next")
    assert bytes(stream.available()) == b"next"


def test_fin_ends_the_stream_behind_the_last_octet():
    stream = opened(3)
    add(stream, 3, 2, b"cd", fin=True)
    add(stream, 3, 0, b"ab")

    assert not stream.is_finished
    stream.consume(4)
    assert stream.is_finished


def test_view_held_by_the_reader_does_not_stop_the_writer():
    stream = opened(3)
    add(stream, 3, 0, b"ab")
    view = stream.available()
    add(stream, 3, 2, b"cd")

    assert bytes(view) == b"ab"
    assert bytes(stream.available()) == b"abcd"


def test_other_syn_is_told_apart_from_a_retransmitted_one():
    stream = opened(1_000)

    assert not stream.is_other_connection(1_000)
    assert stream.is_other_connection(2_000)


def test_packet_of_an_empty_stream_is_a_lookup_error():
    with pytest.raises(LookupError):
        ByteStream().packet_at(0)


def test_octets_held_are_bounded_and_the_rest_is_counted():
    stream = opened(0)
    block = bytes(1 << 16)
    for index in range(40):
        add(stream, 0, index << 16, block, index)

    assert len(stream.available()) == MAX_BUFFERED_OCTETS
    assert stream.waiting_octets == MAX_WAITING_OCTETS
    assert stream.dropped_octets == (40 << 16) - MAX_BUFFERED_OCTETS - MAX_WAITING_OCTETS


def test_octets_behind_a_gap_leave_room_for_the_one_that_closes_it():
    stream = opened(0)
    block = bytes(1 << 16)
    for index in range(1, 40):
        add(stream, 0, index << 16, block, index)
    assert stream.waiting_octets == MAX_WAITING_OCTETS

    add(stream, 0, 0, block)
    assert len(stream.available()) == MAX_WAITING_OCTETS + (1 << 16)


@pytest.mark.parametrize("step", [pytest.param(1, id="in-order"), pytest.param(2, id="every-second-octet")])
def test_one_octet_segments_are_bounded(step):
    stream = opened(0)
    for index in range(3 * MAX_BUFFERED_SEGMENTS):
        add(stream, 0, 5 * (step - 1) + index * step, b"z", index)

    held = len(stream.available()) + stream.waiting_octets
    assert held <= MAX_BUFFERED_SEGMENTS + MAX_WAITING_SEGMENTS
    assert stream.dropped_octets == 3 * MAX_BUFFERED_SEGMENTS - held


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 400), st.integers(1, 3), st.integers(1, 400), st.booleans(), st.booleans())
def test_work_for_overlaps_is_bounded_by_segments(first, step, size, is_anchored, contradicts):
    """Many small segments apart, then ever new ones over all of them: each is compared once, not with each."""
    stream = ByteStream.anchored(0) if is_anchored else opened(WRAP - 1)
    count = 400
    small, wide = b"a" * step, (b"b" if contradicts else b"a") * size

    def work():
        for index in range(count):
            stream.add(first + index * (step + 1), small, packet(index), index)
        for index in range(count):
            stream.add(1 + index, wide, packet(index), index)

    assert calls_of(work) <= 2 * count * 60
    assert stream.ready_octets == len(stream.available())


def test_keep_alive_with_an_octet_of_garbage_is_no_contradiction():
    """RFC 9293 section 3.8.4: a segment before the next octet, which may hold one octet of garbage."""
    stream = opened(7)
    add(stream, 7, 0, b"head")
    add(stream, 7, 3, b"\0")

    assert (stream.conflicting_octets, stream.contradicting_segments) == (1, 0)


@given(
    st.lists(
        st.tuples(
            st.integers(0, WRAP - 1),
            st.binary(max_size=6),
            st.booleans(),
            st.booleans(),
            st.integers(0, 1 << 33),
        ),
        max_size=20,
    )
)
def test_any_segments_keep_the_stream_whole(segments):
    """Hostile numbers: nothing raises, and what is held is what is counted."""
    stream = ByteStream()
    for number, (sequence, octets, syn, fin, skip) in enumerate(segments):
        stream.add(sequence, octets, packet(number), number, syn=syn, fin=fin)
        held = stream.waiting.blocks
        assert stream.waiting_octets == sum(len(piece.octets) for piece in held)
        assert all(a.end <= b.position for a, b in pairwise(held))
        assert not held or stream.gap > 0
        if skip & 1:
            stream.skip_gap()
        elif skip & 2:
            stream.skip(skip)
        stream.packet_at(0)


def test_bounds_hold_with_small_limits(monkeypatch):
    monkeypatch.setattr(stream_module, "MAX_BUFFERED_OCTETS", 8)
    stream = opened(0)
    add(stream, 0, 0, b"12345678")
    add(stream, 0, 8, b"9")
    stream.consume(4)
    add(stream, 0, 9, b"a")

    assert bytes(stream.available()) == b"5678"
    assert (stream.gap, stream.dropped_octets) == (1, 1)


@given(
    initial_numbers,
    st.lists(st.tuples(st.binary(min_size=1, max_size=12), st.integers(0, 9)), max_size=8),
    st.integers(-8, 8),
    st.binary(max_size=12),
)
def test_what_passes_by_leaves_what_adding_and_skipping_leaves(initial, segments, shift, last):
    """Segments in order whose reader takes all of each, or more: then one at any place near the reader."""
    held, passed = ByteStream.anchored(initial), ByteStream.anchored(initial)
    position = 0
    for number, (octets, beyond) in enumerate(segments, 1):
        sequence = (initial + position) % WRAP
        assert passed.is_next(sequence) == held.is_next(sequence)
        if not held.is_next(sequence):  # the reader is ahead of what came
            break
        held.add(sequence, octets, packet(number), number)
        held.skip(len(octets) + beyond)
        passed.pass_by(len(octets), len(octets) + beyond, (packet(number), number))
        position += len(octets)
    for stream in (held, passed):
        stream.add((initial + position + shift) % WRAP, last, packet(99), 99)

    for name in ("position", "gap", "waiting_octets", "held_octets", "conflicting_octets", "has_beginning"):
        assert getattr(passed, name) == getattr(held, name), name
    assert bytes(passed.available()) == bytes(held.available())
    assert passed.packet_at(0) == held.packet_at(0)
