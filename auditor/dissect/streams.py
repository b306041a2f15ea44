"""
TCP connections: whose octets they are, where messages begin, what was lost.

Octets are put back in order by a ``ByteStream``; after a loss, reading begins
again at the next segment that begins like a message.  Of a body that is passed
over, and of everything behind the beginning of encryption, no packet is looked
at any more.

Standard: RFC 9293 section 3.4 (sequence numbers), 3.10.7.4 (segments).
"""

from __future__ import annotations

from collections.abc import Sequence

from auditor.dissect.claims import HEAD_OCTETS, Claims, Reading
from auditor.dissect.conversations import Direction, Talk, Talks
from auditor.dissect.header import Header, distance
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Dissector
from auditor.dissect.select import Selector
from auditor.dissect.stream_messages import MAX_STREAM_OCTETS, Mark, MessageReader
from auditor.flows.stream import SEQUENCE_SPACE, ByteStream
from auditor.packets.batch import ACK, FIN, RST, SYN

MAX_WAITING_OCTETS = 65_536
"""Behind a gap, before the gap counts as a loss: one unscaled window (RFC 9293 section 3.1)."""

MAX_GAP_OCTETS = 4 << 20
"""Missing at one place; no sender at home has more than 4 MiB on the way (common practice)."""

MAX_WAITING_SEGMENTS = 64
"""Behind a gap, before it counts as a loss; a sender resends after three acknowledgements (RFC 5681 3.2)."""

MAX_CONTRADICTING_SEGMENTS = 8
"""Of one side of a connection, for octets that are held already, with others in them.  A sender sends a lost
segment again as it was (RFC 9293 section 3.10.8), and damage that a checksum lets through is rare.  So many
were written by somebody else, and nobody can tell which ones the receiver took."""

MAX_HELD_OCTETS = 32 << 20
"""Of all streams together; beyond it the conversation that made it so gives its octets up."""

MAX_PASS_OCTETS = 1 << 30
"""Passed over without looking: half of what sequence numbers tell apart; longer bodies take more steps."""

MIN_PASS_OCTETS = 4_096
"""Less is not worth remembering a place for: three segments of an Ethernet."""


class StreamReader:
    """Reads the TCP conversations of one recording."""

    def __init__(
        self, dissectors: Sequence[Dissector], talks: Talks, selector: Selector, outcome: Outcome
    ) -> None:
        self._claims = Claims(dissectors, talks, outcome)
        self._talks = talks
        self._selector = selector
        self._outcome = outcome
        self._messages = MessageReader(self._claims, talks, outcome)
        self._held_octets = 0

    def read(self, talk: Talk, forward: bool, header: Header, payload: bytes) -> None:
        """Take one packet of a conversation, whatever it does."""
        direction, flags = talk.directions[forward], header.flags
        if flags & SYN:
            self._open(talk, direction, forward, header)
        self.read_on(talk, forward, header, payload)
        if flags & RST:
            self.close(talk)
        elif flags & FIN:
            direction.has_fin = True
            stream = direction.stream
            if stream is not None and not stream.gap:
                self._drain(talk, direction, forward, ended=True)
            if all(side.has_fin for side in talk.directions):
                self.close(talk)
            elif talk.held_octets:
                self._count_held(talk)

    def read_on(self, talk: Talk, forward: bool, header: Header, payload: bytes) -> None:
        """Take what a packet brings that neither opens nor closes a connection: nearly all do."""
        direction = talk.directions[forward]
        self._messages.link_type = header.link_type
        if header.flags & ACK:
            other = talk.directions[not forward].stream
            if other is not None and other.waiting.octets:
                self._note_acknowledgement(talk, not forward, header.acknowledgement)
        is_held = False
        if payload and not direction.finished:
            is_held = self._take(talk, direction, forward, header, payload)
        if is_held or talk.held_octets:
            self._count_held(talk)

    def end(self, talk: Talk, forward: bool, flags: int) -> None:
        """Take a FIN or RST of a conversation of which nothing is read any more."""
        talk.directions[forward].has_fin = True
        if flags & RST or talk.directions[not forward].has_fin:
            self.close(talk)

    def is_wanted(self, talk: Talk, forward: bool, header: Header, payload: memoryview) -> bool:
        """Whether a segment that neither opens nor closes a connection can tell anything; in doubt yes."""
        direction = talk.directions[forward]
        if direction.is_passing:
            end = header.sequence + len(payload) + header.missing
            if self._selector.is_passed(talk.number, forward, end):
                return False  # chosen before the head of the body was read
        # Behind a loss only a beginning counts.
        if direction.stream is not None or not direction.was_read:
            return True
        head = bytes(payload[:HEAD_OCTETS])
        if talk.dissector is not None:
            return (talk.dissector.continues or talk.dissector.looks_like)(head)
        return self._selector.may_begin(head[:2], talk.row.ports(forward))

    def is_other_connection(self, talk: Talk, forward: bool, sequence: int) -> bool:
        """Whether a SYN with this number opens another connection than the known one."""
        direction = talk.directions[forward]
        if direction.opening is not None:
            return direction.opening != sequence
        return direction.was_read

    def close(self, talk: Talk) -> None:
        """End a conversation: hand on what is there of incomplete messages, and forget it."""
        if self._talks.table.get(talk.number) is not talk:
            return  # closed already, for what it held
        for forward in (True, False) if talk.directions else ():
            direction = talk.directions[forward]
            if direction.stream is not None:
                self._drain(talk, direction, forward, ended=True)
            direction.stream = None
        self._held_octets -= talk.held_octets
        talk.held_octets = 0
        self._talks.remove(talk)

    def _open(self, talk: Talk, direction: Direction, forward: bool, header: Header) -> None:
        direction.opening = (header.sequence - 1) % SEQUENCE_SPACE
        is_answer = bool(header.flags & ACK)
        if talk.initiator_forward is None or not is_answer:
            talk.initiator_forward = talk.client_forward = forward != is_answer
            talk.key = None
        for side in (True, False):
            self._talks.want(talk, side, wanted=True)

    def _note_acknowledgement(self, talk: Talk, forward: bool, number: int) -> None:
        """What the other side acknowledged reached it: if it was not recorded by now, it is lost to us."""
        direction = talk.directions[forward]
        stream = direction.stream
        if stream is None or not stream.waiting.blocks:
            return
        behind_gap = direction.zero_sequence + stream.waiting.blocks[0].position
        if distance(number, behind_gap) >= 0:
            self._drain(talk, direction, forward, is_lost=True)

    # -- octets of one direction

    def _take(self, talk: Talk, direction: Direction, forward: bool, header: Header, payload: bytes) -> bool:
        """Read a segment with payload; whether the stream may hold octets afterwards."""
        sequence, missing = header.sequence, header.missing
        stream = direction.stream
        if stream is None:
            if direction.opening is not None and not direction.was_read:
                direction.zero_sequence = (direction.opening + 1) % SEQUENCE_SPACE
            elif self._claims.begins(talk, forward, payload):
                direction.zero_sequence = sequence
                direction.is_resumed = direction.was_read
            else:
                return False
            direction.was_read = True
            stream = direction.stream = ByteStream.anchored(direction.zero_sequence)
        if not missing and len(payload) <= MAX_STREAM_OCTETS and stream.is_next(sequence):
            if direction.reached == stream.position:
                return self._take_next(talk, direction, forward, header, payload, stream)
            stream.add(sequence, payload, header.packet, header.timestamp_ns)
            direction.reached = max(direction.reached, stream.position + stream.ready_octets)
            if stream.held_octets >= direction.needed:
                self._drain(talk, direction, forward)
                self._pass_over(talk, direction, forward)
            return True
        # Positions count octets without wrap-around; a reader may be far ahead of what came in.
        end = sequence + len(payload) + missing
        end_position = direction.reached + distance(end, direction.zero_sequence + direction.reached)
        direction.reached = max(direction.reached, end_position)
        if end_position <= stream.position:
            stream.add(end % SEQUENCE_SPACE, b"", header.packet, header.timestamp_ns)
        else:
            ready, contradicting = stream.ready_octets, stream.contradicting_segments
            stream.add(sequence, payload, header.packet, header.timestamp_ns)
            if stream.contradicting_segments > contradicting:
                direction.contradicting_segments += 1
                if direction.contradicting_segments >= MAX_CONTRADICTING_SEGMENTS:
                    self._give_up(talk, forward, header)
                    return False
            if stream.waiting.octets:
                direction.starts.append(sequence)
            else:
                direction.starts.clear()
            # What stands in order was parsed as far as it goes when it came.
            is_lost = self._waits_long(direction, stream)
            is_longer = stream.ready_octets > ready and stream.held_octets >= direction.needed
            if is_longer or is_lost or missing:
                self._drain(talk, direction, forward, is_lost=is_lost)
            if missing:
                self._cut_off(talk, direction, forward, end_position)
        self._pass_over(talk, direction, forward)
        return True

    def _take_next(
        self,
        talk: Talk,
        direction: Direction,
        forward: bool,
        header: Header,
        payload: bytes,
        stream: ByteStream,
    ) -> bool:
        """
        Parse a segment that comes in order where nothing waits: nearly all do.

        Only what is left of an incomplete message goes into the stream; the way
        through it costs as much as parsing.  As ``_take``.
        """
        size = len(payload)
        direction.reached += size
        mark = header.packet, header.timestamp_ns
        if talk.dissector is None:
            reading, taken = self._parse(talk, direction, forward, payload, mark=mark)
        else:
            reading, taken = self._messages.read(talk, direction, forward, payload, mark)
        if direction.stream is None:
            return False
        if reading is Reading.FAILED:
            self._lose(talk, direction, forward)
        elif taken < size:
            stream.add(header.sequence, payload, *mark)
            stream.skip(taken)
            return True
        else:
            stream.pass_by(size, taken, mark)
            if taken > size or direction.is_passing:
                self._pass_over(talk, direction, forward)
        return False

    def _give_up(self, talk: Talk, forward: bool, header: Header) -> None:
        """Read nothing further of a side whose segments contradict each other."""
        name = talk.dissector.name if talk.dissector is not None else "tcp"
        problem = (
            f"{MAX_CONTRADICTING_SEGMENTS} segments contradict octets seen before; "
            "what this side says is not read further"
        )
        self._outcome.contradicts(talk, self._claims.client_by_ports(talk, forward, ()))
        self._outcome.issue(talk, f"{name} stream", problem, header.packet, header.timestamp_ns)
        self._talks.finish(talk, forward)

    def _waits_long(self, direction: Direction, stream: ByteStream) -> bool:
        """Whether what is missing in front of waiting octets counts as lost."""
        waiting = stream.waiting.octets
        return waiting > 0 and (
            len(direction.starts) > MAX_WAITING_SEGMENTS
            or waiting > MAX_WAITING_OCTETS
            or stream.gap > MAX_GAP_OCTETS
        )

    def _cut_off(self, talk: Talk, direction: Direction, forward: bool, end_position: int) -> None:
        """Go on behind octets that the snap length cut off; what is there is all that will come."""
        if direction.stream is not None and len(direction.stream.available()):
            self._drain(talk, direction, forward, ended=True)
        if direction.stream is not None and direction.stream.position < end_position:
            self._lose(talk, direction, forward)

    def _pass_over(self, talk: Talk, direction: Direction, forward: bool) -> None:
        """Want no packet of a body that is passed over, as far as sequence numbers tell."""
        stream = direction.stream
        ahead = stream.position - direction.reached if stream is not None else 0
        if ahead >= MIN_PASS_OCTETS:
            direction.is_passing = True
            until = direction.zero_sequence + direction.reached + min(ahead, MAX_PASS_OCTETS)
            self._selector.pass_over(talk.number, forward, until % SEQUENCE_SPACE)
        elif direction.is_passing:
            direction.is_passing = False
            self._selector.stop_passing(talk.number, forward)

    def _drain(
        self, talk: Talk, direction: Direction, forward: bool, *, is_lost: bool = False, ended: bool = False
    ) -> None:
        """
        Parse what is there.

        ``is_lost``: what is missing in front of waiting octets will not come.
        ``ended``: nothing further will come at all.
        """
        while (stream := direction.stream) is not None:  # each turn moves the reader, or returns
            before = stream.position
            octets = bytes(stream.available()[:MAX_STREAM_OCTETS])
            nothing_follows = (is_lost or ended) and len(octets) < MAX_STREAM_OCTETS
            reading = Reading.ALL
            if octets:
                reading, taken = self._parse(talk, direction, forward, octets, ended=nothing_follows)
                if direction.stream is None:
                    return
                stream.skip(taken)
            if reading is Reading.FAILED:
                if not stream.gap or not self._skip_gap(talk, direction, forward):
                    self._lose(talk, direction, forward)
                    return
            elif stream.position == before:
                if not (stream.gap and (is_lost or ended)):
                    return
                if not self._skip_gap(talk, direction, forward):
                    self._lose(talk, direction, forward)
                    return

    def _parse(
        self,
        talk: Talk,
        direction: Direction,
        forward: bool,
        octets: bytes,
        *,
        mark: Mark | None = None,
        ended: bool = False,
    ) -> tuple[Reading, int]:
        """As ``MessageReader.read``, for a connection that may not have a dissector yet."""
        if talk.dissector is None:
            reading = self._claims.claim(talk, forward, octets, ended=ended)
            if reading is not Reading.ALL:
                return reading, 0
        return self._messages.read(talk, direction, forward, octets, mark, ended=ended)

    def _skip_gap(self, talk: Talk, direction: Direction, forward: bool) -> bool:
        """Go on behind missing octets, at the next segment that begins like a message; False: none does."""
        stream = direction.stream
        if stream is None:
            return False
        missing = stream.skip_gap()
        packet, timestamp_ns = stream.packet_at(0)
        name = talk.dissector.name if talk.dissector is not None else "tcp"
        problem = f"{missing} octets are not in the recording"
        if not self._outcome.issue(talk, f"{name} stream", problem, packet, timestamp_ns):
            self._messages.finish_all(talk)
            return False
        octets = bytes(stream.available())
        reader = direction.zero_sequence + stream.position
        starts, direction.starts = direction.starts, []
        for offset in sorted({0, *(distance(start, reader) for start in starts)}):
            head = octets[offset : offset + HEAD_OCTETS] if offset >= 0 else b""
            if head and self._claims.fits(talk, forward, head):
                stream.skip(offset)
                direction.is_resumed = True
                return True
        return False

    def _lose(self, talk: Talk, direction: Direction, forward: bool) -> None:
        """Give up a direction until a segment begins like a message."""
        direction.stream = None
        direction.starts.clear()
        direction.needed = 0
        if not direction.finished:
            # A beginning that can be found on whole columns needs no packet before it.
            row = talk.dissector
            wanted = row is not None and (not row.beginnings or row.continues is not None)
            self._talks.want(talk, forward, wanted=wanted)

    def _count_held(self, talk: Talk) -> None:
        """Keep the sum of what all streams hold, and its bound."""
        held = 0
        for direction in talk.directions:
            stream = direction.stream
            if stream is not None:
                held += stream.held_octets
        self._held_octets += held - talk.held_octets
        talk.held_octets = held
        if self._held_octets > MAX_HELD_OCTETS:
            problem = f"more than {MAX_HELD_OCTETS} octets wait in all: given up here"
            self._outcome.issue(talk, "tcp stream", problem, None, None)
            self.close(talk)
