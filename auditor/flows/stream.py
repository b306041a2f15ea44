"""
One direction of a TCP connection, put back in order.

Standard: RFC 9293 section 3.4 (sequence numbers and their arithmetic modulo
2^32) and section 3.10.7.4 (segments may arrive in any order and overlap).
Reads: segments as recorded.  Keeps: octets that nobody has consumed yet.

Where two segments claim the same octets the first one recorded wins, as most
receivers do with octets they hold already (common practice); the difference is
counted, because a recording with such a difference can show its reader
something else than the receiver saw.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from auditor.flows.flow import PacketReference
from auditor.flows.piece import Piece

MAX_BUFFERED_OCTETS = 1 << 20
"""Octets in order that one stream holds for its reader.  Heads, hellos and control messages are far shorter,
longer bodies are passed over with ``skip``.  1 MiB is a receive window that is common in practice."""

MAX_WAITING_OCTETS = MAX_BUFFERED_OCTETS // 2
"""Octets that wait behind a gap, held besides."""

MAX_BUFFERED_SEGMENTS = 2048
"""Segments in order: a window of 1 MiB in segments of 536 octets, the default maximum segment size (RFC 9293
section 3.7.1), is 1,956.  Bounds the cost of one-octet segments; half as many may wait behind a gap."""

MAX_REACH_BACK_OCTETS = 1 << 16
"""How far before the first recorded segment a late one may still lie, where the beginning was not recorded:
one unscaled window (RFC 9293 section 3.1)."""

SEQUENCE_SPACE = 1 << 32


class ByteStream:
    """
    Bounded reassembly of one direction.

    The reader looks at ``available()``, takes with ``consume`` or passes over
    with ``skip``.  Where octets are missing, ``gap`` says how many, and
    ``skip_gap`` goes on behind them: when to give up waiting is the reader's
    decision.
    """

    __slots__ = (
        "_anchored",
        "_begun",
        "_end",
        "_highest",
        "_last_packet",
        "_marks",
        "_ready",
        "_starts",
        "_taken",
        "_touched",
        "_waiting",
        "_zero_sequence",
        "conflicting_octets",
        "dropped_octets",
        "lost_octets",
        "position",
        "waiting_octets",
    )

    def __init__(self) -> None:
        self._begun = False
        self._anchored = False  # the SYN was seen: nothing can lie before position 0
        self._zero_sequence = 0  # sequence number of position 0, modulo 2^32
        self._highest = 0  # end of the segment that reaches farthest; unwraps the next sequence number
        # Attributes, not properties: the reader of messages asks for each segment.
        self.position = 0
        """Octets before the reader, counted from the first that was recorded; not to be set."""
        self._touched = False  # the reader has moved: nothing may be put before it any more
        self._taken = 0  # octets of _ready that are read already and not yet given back
        self._ready = bytearray()
        self._starts: list[int] = []  # positions where packets begin in _ready, ascending
        self._marks: list[tuple[PacketReference, int]] = []
        self._waiting: list[Piece] = []  # behind a gap: ascending, apart from each other
        self.waiting_octets = 0
        """Octets that are held behind a gap; not to be set."""
        self._end: int | None = None  # position of FIN
        self._last_packet: tuple[PacketReference, int] | None = None
        self.conflicting_octets = 0
        """Octets recorded twice with different values; the first recorded were kept."""
        self.dropped_octets = 0
        """Octets that a ``MAX_`` kept out; they count as lost when the reader comes to them."""
        self.lost_octets = 0
        """Octets passed over by ``skip_gap``."""

    @classmethod
    def anchored(cls, sequence: int) -> ByteStream:
        """A stream whose first octet has this sequence number: nothing can lie before it."""
        stream = cls()
        stream._begun = stream._anchored = True
        stream._zero_sequence = sequence
        return stream

    # -- writing

    def add(
        self,
        sequence: int,
        octets: bytes,
        packet: PacketReference,
        timestamp_ns: int,
        *,
        syn: bool = False,
        fin: bool = False,
    ) -> None:
        """
        Put a segment in; any order, any overlap.

        ``sequence`` is the segment's sequence number (0 to 2^32-1); SYN and FIN
        occupy one number each (RFC 9293 section 3.4).  A SYN with another
        number than the first belongs to another connection: start another
        stream (``is_other_connection``).
        """
        mark = self._last_packet = (packet, timestamp_ns)
        if octets and not (syn or fin) and self.is_next(sequence) and self._has_room(len(octets)):
            # Nearly all: it needs no looking for its place.
            self._put_behind(self._highest, octets, mark)
            self._highest += len(octets)
            return
        first = (sequence + syn) % SEQUENCE_SPACE
        if not self._begun:
            self._begun = True
            self._zero_sequence = first
        position = self._position_of(first)
        if syn and not self._touched and position <= self.position:
            self._push_back(position)
            self._anchored = True
        end = position + len(octets)
        if fin and self._end is None:
            self._end = end
        self._highest = max(self._highest, end)
        if position < self.position:
            position = self._before_reader(position, end)
        if octets and position < end:
            piece = Piece(position, octets[len(octets) - (end - position) :], packet, timestamp_ns)
            self._place(piece)

    def is_next(self, sequence: int) -> bool:
        """Whether a segment comes in order, and nothing waits behind a gap."""
        return (
            self._begun
            and not self._waiting
            and self._highest == self.position + len(self._ready) - self._taken
            and (sequence - self._zero_sequence - self._highest) % SEQUENCE_SPACE == 0
        )

    def pass_by(self, size: int, taken: int, mark: tuple[PacketReference, int]) -> None:
        """
        As ``add`` and ``skip`` of a segment of ``size`` octets that nobody needs to hold.

        It must be next, nothing may be held, and all of it be ``taken``, or more.
        """
        self._last_packet = mark
        self._highest = self.position + size
        self.position += taken
        self._touched = True

    def is_other_connection(self, sequence: int) -> bool:
        """Whether a SYN with this number opens another connection than the one this stream holds."""
        return self._begun and (sequence + 1) % SEQUENCE_SPACE != self._zero_sequence

    def _position_of(self, sequence: int) -> int:
        """
        Unwrap a sequence number: the position next to the farthest octet seen so far.

        Comparison modulo 2^32 as in RFC 9293 section 3.4, signed as in RFC 1982
        section 3.2.  The farthest octet and not the reader is the reference: a
        reader may skip more than 2^31 octets ahead.
        """
        reference = (self._zero_sequence + self._highest) % SEQUENCE_SPACE
        distance = (sequence - reference + (SEQUENCE_SPACE >> 1)) % SEQUENCE_SPACE - (SEQUENCE_SPACE >> 1)
        return self._highest + distance

    def _before_reader(self, position: int, end: int) -> int:
        """Where the part of a segment begins that can still be read; may move the reader back."""
        can_move = not self._anchored and not self._touched
        if can_move and self.position - MAX_REACH_BACK_OCTETS <= position:
            self._push_back(position)
            return position
        return min(end, self.position)

    def _push_back(self, position: int) -> None:
        """Let the reader begin earlier: what was ready waits behind the new beginning."""
        if position == self.position:
            return
        held = self._ready_pieces()
        self._waiting[:0] = held
        self.waiting_octets += sum(len(piece.octets) for piece in held)
        self._ready = bytearray()
        self._starts.clear()
        self._marks.clear()
        self.position = position

    def _ready_pieces(self) -> list[Piece]:
        """What is ready, by packets; only before the reader has moved."""
        octets = bytes(self._ready)
        base = self.position
        bounds = [*self._starts[1:], base + len(octets)]
        return [
            Piece(start, octets[start - base : stop - base], packet, timestamp_ns)
            for start, stop, (packet, timestamp_ns) in zip(self._starts, bounds, self._marks, strict=False)
        ]

    def _place(self, piece: Piece) -> None:
        ready_end = self._ready_end
        if piece.position < ready_end:
            stop = min(piece.end, ready_end)
            base = self.position - self._taken
            held = self._ready[piece.position - base : stop - base]
            self._count_conflicts(held, piece.cut(piece.position, stop).octets)
            if stop == piece.end:
                return
            piece = piece.cut(stop, piece.end)
        if piece.position == ready_end:
            stop = min(piece.end, self._waiting[0].position) if self._waiting else piece.end
            self._append(piece.cut(piece.position, stop))
            if stop < piece.end:
                self._insert(piece.cut(stop, piece.end))
        else:
            self._insert(piece)
        while self._waiting and self._waiting[0].position == self._ready_end:
            first = self._waiting.pop(0)
            self.waiting_octets -= len(first.octets)
            self._append(first, is_held=True)

    def _insert(self, piece: Piece) -> None:
        """Put what is new of a piece between the waiting ones."""
        index = bisect_right(self._waiting, piece.position, key=lambda held: held.position)
        if index and self._waiting[index - 1].end > piece.position:
            index -= 1
        start = piece.position
        while start < piece.end:
            if index < len(self._waiting) and self._waiting[index].position <= start:
                held = self._waiting[index]
                stop = min(held.end, piece.end)
                self._count_conflicts(held.cut(start, stop).octets, piece.cut(start, stop).octets)
            else:
                stop = piece.end
                if index < len(self._waiting):
                    stop = min(stop, self._waiting[index].position)
                if self._may_wait(stop - start):
                    self._waiting.insert(index, piece.cut(start, stop))
                    self.waiting_octets += stop - start
                else:
                    self.dropped_octets += stop - start
                    index -= 1
            start = stop
            index += 1

    def _append(self, piece: Piece, *, is_held: bool = False) -> None:
        if not is_held and not self._has_room(len(piece.octets)):
            self.dropped_octets += len(piece.octets)
            return
        self._put_behind(piece.position, piece.octets, (piece.packet, piece.timestamp_ns))

    def _put_behind(self, position: int, octets: bytes, mark: tuple[PacketReference, int]) -> None:
        """Append to what is ready."""
        if not self._marks or self._marks[-1] != mark:
            self._starts.append(position)
            self._marks.append(mark)
        try:
            self._ready += octets
        except BufferError:  # the reader still holds a view: leave it its octets and go on with a copy
            self._ready = self._ready + octets

    def _has_room(self, octets: int) -> bool:
        held = len(self._ready) - self._taken
        return held + octets <= MAX_BUFFERED_OCTETS and len(self._marks) < MAX_BUFFERED_SEGMENTS

    def _may_wait(self, octets: int) -> bool:
        fits = self.waiting_octets + octets <= MAX_WAITING_OCTETS
        return fits and len(self._waiting) < MAX_BUFFERED_SEGMENTS // 2

    def _count_conflicts(self, held: bytes | bytearray, other: bytes) -> None:
        if held != other:
            # Whole segments at once: crafted overlaps must not cost a step for each octet.
            differs = np.frombuffer(held, np.uint8) != np.frombuffer(other, np.uint8)
            self.conflicting_octets += int(np.count_nonzero(differs))

    # -- reading

    @property
    def _ready_end(self) -> int:
        return self.position + len(self._ready) - self._taken

    @property
    def has_beginning(self) -> bool:
        """Whether the SYN was recorded, so that position 0 is the first octet that was sent."""
        return self._anchored

    @property
    def is_finished(self) -> bool:
        """Whether the reader has come to the FIN."""
        return self._end is not None and self.position >= self._end

    @property
    def gap(self) -> int:
        """Octets that are missing between what is available and the next segment held; 0: none is waiting."""
        return self._waiting[0].position - self._ready_end if self._waiting else 0

    @property
    def held_octets(self) -> int:
        """Octets held in all."""
        return len(self._ready) - self._taken + self.waiting_octets

    def available(self) -> memoryview:
        """Octets in order from the reader's position; valid until the next call that changes the stream."""
        return memoryview(self._ready)[self._taken :]

    def consume(self, count: int) -> None:
        """Take octets; as ``skip``."""
        self.skip(count)

    def skip(self, count: int) -> None:
        """Move the reader on, also beyond what is there: octets passed over are let go when they arrive."""
        ready = len(self._ready) - self._taken
        self.position += count
        self._touched = self._touched or count > 0
        if count < ready:
            self._taken += count
            self._give_back()
            return
        self._ready = bytearray()
        self._taken = 0
        self._starts.clear()
        self._marks.clear()
        while self._waiting and self._waiting[0].position <= self.position:
            piece = self._waiting.pop(0)
            self.waiting_octets -= len(piece.octets)
            if piece.end > self.position:
                self._append(piece.cut(max(piece.position, self.position), piece.end), is_held=True)
                break
        while self._waiting and self._waiting[0].position == self._ready_end:
            piece = self._waiting.pop(0)
            self.waiting_octets -= len(piece.octets)
            self._append(piece, is_held=True)

    def skip_gap(self) -> int:
        """
        Go on behind the missing octets: the reader moves to the next segment held.

        Octets still available before the gap are let go.  Returns how many
        octets were missing; 0 where nothing waits behind a gap.
        """
        missing = self.gap
        if missing:
            self.lost_octets += missing
            self.skip(len(self._ready) - self._taken + missing)
        return missing

    def packet_at(self, offset: int) -> tuple[PacketReference, int]:
        """
        Which packet brought an octet, and when (nanoseconds since the epoch).

        ``offset`` counts from the reader's position, as an index into
        ``available()`` does.  For an octet that is not there: the last packet
        before it.  Raises ``LookupError`` on a stream without any packet.
        """
        index = bisect_right(self._starts, self.position + offset) - 1
        if index >= 0:
            return self._marks[index]
        if self._last_packet is None:
            raise LookupError("no packet was added to this stream")
        return self._last_packet

    def _give_back(self) -> None:
        """Release octets that were read, once they are most of the buffer: so each is moved at most once."""
        keep = bisect_right(self._starts, self.position) - 1
        if keep > len(self._starts) // 2:
            del self._starts[:keep]
            del self._marks[:keep]
        if self._taken > len(self._ready) // 2:
            self._ready = self._ready[self._taken :]
            self._taken = 0
