"""
Messages of one direction of a connection, out of octets that are in order.

Nothing here knows of segments: where the octets come from, and what is done
when they are no message, stands in ``auditor.dissect.streams``.
"""

from __future__ import annotations

from auditor.dissect.claims import HEAD_OCTETS, Claims, Reading
from auditor.dissect.conversations import Direction, Talk, Talks
from auditor.dissect.message import PassedOver
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Conversation
from auditor.errors import LimitError, TruncatedError
from auditor.flows.flow import PacketReference
from auditor.wire import Cursor

MAX_STREAM_OCTETS = 65_536
"""Of one message that must be there at once: a chain of certificates, a head with the kept part of a body."""

Mark = tuple[PacketReference, int]
"""A packet and its time, nanoseconds since the epoch."""


class MessageReader:
    """Parses messages one after the other and hands them on."""

    __slots__ = ("_claims", "_outcome", "_talks", "link_type")

    def __init__(self, claims: Claims, talks: Talks, outcome: Outcome) -> None:
        self._claims = claims
        self._talks = talks
        self._outcome = outcome
        self.link_type = 0
        """Of the packet that is being read."""

    def read(
        self,
        talk: Talk,
        direction: Direction,
        forward: bool,
        octets: bytes,
        mark: Mark | None = None,
        *,
        ended: bool = False,
    ) -> tuple[Reading, int]:
        """
        Parse what is there; gives how it ended and how far the reader is to move, which may be beyond it.

        ``mark``: the packet that brought all of it; without one the direction's
        stream is asked, whose reader stands at the first of ``octets``.
        ``ended``: nothing will follow.
        """
        dissector, stream = talk.dissector, direction.stream
        if dissector is None or dissector.parse_stream is None or stream is None:
            return Reading.FAILED, 0
        if talk.client_forward is None or talk.key is None:
            self._claims.orient(talk, forward, dissector, octets[:HEAD_OCTETS])
        conversation = talk.conversation
        if conversation is None:
            conversation = talk.conversation = Conversation()
        from_client = forward == talk.client_forward
        outcome, name, parse = self._outcome, dissector.name, dissector.parse_stream
        position, size = 0, len(octets)
        direction.needed = 0
        if direction.is_resumed:
            talk.ask_again()
        while position < size:  # every message has a length
            packet, timestamp_ns = mark or stream.packet_at(position)
            conversation.ended, conversation.is_resumed = ended, direction.is_resumed
            conversation.needed = 0
            try:
                message = parse(Cursor(octets[position:] if position else octets), from_client, conversation)
            except Exception as fault:  # noqa: BLE001 - any other than DecodeError is told as a fault of ours
                # In a call: an error in a local of this frame would keep itself and the octets alive.
                is_whole = ended or (position == 0 and size >= MAX_STREAM_OCTETS)
                if not is_whole and isinstance(fault, TruncatedError):
                    direction.needed = min(conversation.needed, MAX_STREAM_OCTETS)
                    return Reading.WAITS, position
                return self._fail(talk, name, fault, (packet, timestamp_ns), ended=ended), position
            direction.is_resumed = False
            length = message.length
            position += length
            if length <= 0:
                return Reading.FAILED, position
            if not isinstance(message, PassedOver) and not outcome.message(
                talk, name, forward, packet, timestamp_ns, message, self.link_type
            ):
                return self.finish_all(talk), position
            if conversation.next_protocol is not None:
                row = self._claims.hand_over(talk, conversation)
                if row is None or row.parse_stream is None:
                    return self.finish_all(talk), position
                name, parse = row.name, row.parse_stream
            if conversation.client_finished or conversation.server_finished or conversation.finished:
                self._note_finished(talk, conversation)
                if direction.finished:
                    return Reading.FINISHED, position
        return Reading.ALL, position

    def _fail(self, talk: Talk, name: str, fault: Exception, mark: Mark, *, ended: bool) -> Reading:
        """Say why octets are no message."""
        error = self._outcome.decode_error(name, fault)
        if isinstance(error, TruncatedError) and not ended:
            error = LimitError(error.field, 0, f"more than {MAX_STREAM_OCTETS} octets")
        if self._outcome.failure(talk, name, error, *mark):
            return Reading.FAILED
        return self.finish_all(talk)

    def finish_all(self, talk: Talk) -> Reading:
        """Read nothing further of a connection."""
        for forward in (True, False):
            self._talks.finish(talk, forward)
        return Reading.FINISHED

    def _note_finished(self, talk: Talk, conversation: Conversation) -> None:
        """Do what the dissector said about its directions."""
        if conversation.finished:
            self.finish_all(talk)
            return
        client = bool(talk.client_forward)
        # Asked behind each message of the other side as well: mostly it is known already.
        directions = talk.directions
        if conversation.client_finished and not directions[client].finished:
            self._talks.finish(talk, client)
        if conversation.server_finished and not directions[not client].finished:
            self._talks.finish(talk, not client)
