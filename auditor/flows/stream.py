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

from auditor.flows.block import Block, Mark, Waiting, count_differences
from auditor.flows.flow import PacketReference

MAX_BUFFERED_OCTETS = 1 << 20
"""Octets in order that one stream holds for its reader.  Heads, hellos and control messages are far shorter,
longer bodies are passed over with ``skip``.  1 MiB is a receive window that is common in practice."""

MAX_BUFFERED_SEGMENTS = 2048
"""Segments in order: a window of 1 MiB in segments of 536 octets, the default maximum segment size (RFC 9293
section 3.7.1), is 1,956.  Bounds the cost of one-octet segments."""

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
        "_dropped_octets",
        "_end",
        "_highest",
        "_last_packet",
        "_marks",
        "_ready",
        "_starts",
        "_taken",
        "_touched",
        "_zero_sequence",
        "conflicting_octets",
        "contradicting_segments",
        "lost_octets",
        "position",
        "waiting",
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
        self._marks: list[Mark] = []
        self.waiting = Waiting()
        """What is held behind gaps, each of them of an octet at least; not to be changed."""
        self._end: int | None = None  # position of FIN
        self._last_packet: Mark | None = None
        self.conflicting_octets = 0
        """Octets recorded twice with different values; the first recorded were kept."""
        self.contradicting_segments = 0
        """Segments with such octets.  One of a single octet does not count: a keep-alive may carry an octet
        of garbage (RFC 9293 section 3.8.4)."""
        self.lost_octets = 0
        """Octets passed over by ``skip_gap``."""
        self._dropped_octets = 0

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
            differences = self._place(position, octets[len(octets) - (end - position) :], mark)
            self.conflicting_octets += differences
            self.contradicting_segments += differences > 0 and len(octets) > 1

    def is_next(self, sequence: int) -> bool:
        """Whether a segment comes in order, and nothing waits behind a gap."""
        return (
            self._begun
            and not self.waiting.blocks
            and self._highest == self.position + len(self._ready) - self._taken
            and (sequence - self._zero_sequence - self._highest) % SEQUENCE_SPACE == 0
        )

    def pass_by(self, size: int, taken: int, mark: Mark) -> None:
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
        if self._ready:
            # A copy: the reader may still hold a view.
            block = Block(self.position, bytearray(self._ready), self._starts, self._marks)
            self.waiting.put_first(block)
        self._clear_ready()
        self.position = position

    def _place(self, position: int, octets: bytes, mark: Mark) -> int:
        """Put what is new of a segment where it belongs; gives how many octets contradict what is held."""
        end, ready_end, differences = position + len(octets), self._ready_end, 0
        if position < ready_end:
            differences = count_differences(self._ready, position - self.position + self._taken, octets)
            if end <= ready_end:
                return differences
            octets = octets[ready_end - position :]
            position = ready_end
        if position > ready_end:
            return differences + self.waiting.insert(position, octets, mark)
        stop = min(end, position + self.gap) if self.waiting.blocks else end
        if self._has_room(stop - position):
            self._put_behind(position, octets[: stop - position], mark)
        else:
            self._dropped_octets += stop - position
        if stop < end:
            differences += self.waiting.insert(stop, octets[stop - position :], mark)
        self._join_waiting()
        return differences

    def _join_waiting(self) -> None:
        """Let what waits right behind what is ready be ready too."""
        while (block := self.waiting.take_at(self._ready_end)) is not None:
            self._put_behind(block.position, block.octets, block.marks[0])
            self._starts += block.starts[1:]
            self._marks += block.marks[1:]

    def _put_behind(self, position: int, octets: bytes | bytearray, mark: Mark) -> None:
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
        blocks = self.waiting.blocks
        return blocks[0].position - self._ready_end if blocks else 0

    @property
    def waiting_octets(self) -> int:
        """Octets that are held behind a gap."""
        return self.waiting.octets

    @property
    def dropped_octets(self) -> int:
        """
        Octets that a ``MAX_`` kept out; they count as lost when the reader comes to them.

        Where there is no room behind a gap, the rest of a segment is counted,
        whether some of it is held already or not.
        """
        return self._dropped_octets + self.waiting.dropped_octets

    @property
    def ready_octets(self) -> int:
        """The length of ``available()``."""
        return len(self._ready) - self._taken

    @property
    def held_octets(self) -> int:
        """Octets held in all."""
        return len(self._ready) - self._taken + self.waiting.octets

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
        self._clear_ready()
        self._join_waiting()

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

    def _clear_ready(self) -> None:
        self._ready = bytearray()
        self._taken = 0
        self._starts = []
        self._marks = []

    def _give_back(self) -> None:
        """Release octets that were read, once they are most of the buffer: so each is moved at most once."""
        keep = bisect_right(self._starts, self.position) - 1
        if keep > len(self._starts) // 2:
            del self._starts[:keep]
            del self._marks[:keep]
        if self._taken > len(self._ready) // 2:
            self._ready = self._ready[self._taken :]
            self._taken = 0
