"""
Whose octets a TCP connection carries, and which side is the client.

A port only makes octets worth a look, and octets decide: a beginning that no
dissector knows is counted as unknown, whatever its ports.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum, auto

from auditor.dissect.conversations import Talk, Talks
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.stream_rows import StreamRows

HEAD_OCTETS = 64  # contract of Dissector.looks_like
MIN_TELLING_OCTETS = 16
"""A shorter beginning of a connection waits for more before it counts as unknown; start lines are longer."""


class Reading(Enum):
    """How the parsing of what is there ended."""

    ALL = auto()  # nothing is left, or the rest was not recorded yet
    WAITS = auto()  # a message has begun and is not whole
    FAILED = auto()  # the octets are no message: this direction is out of step
    FINISHED = auto()  # nothing further is to be read


def _is_opening(talk: Talk, forward: bool) -> bool:
    """Whether what waits in this direction is the first that it said, the opening recorded."""
    direction = talk.directions[forward]
    stream = direction.stream
    return (
        direction.opening is not None
        and not direction.is_resumed
        and stream is not None
        and stream.position == 0
    )


class Claims:
    """Finds the dissector of a connection, and tells client and server apart."""

    __slots__ = ("_outcome", "_rows", "_talks")

    def __init__(self, dissectors: Sequence[Dissector], talks: Talks, outcome: Outcome) -> None:
        self._rows = StreamRows(dissectors)
        self._talks = talks
        self._outcome = outcome

    def claim(self, talk: Talk, forward: bool, octets: bytes, *, ended: bool) -> Reading:
        """Find the dissector of a connection by its beginning, if there is none yet; ``ALL``: there is."""
        if talk.dissector is None:
            talk.dissector = self._rows.choose(
                talk.row.ports(forward), octets[:HEAD_OCTETS], is_opening=_is_opening(talk, forward)
            )
        if talk.dissector is not None:
            return Reading.ALL
        if len(octets) < MIN_TELLING_OCTETS and not ended:
            return Reading.WAITS
        self._outcome.unknown(talk, self.client_by_ports(talk, forward, ()))
        return Reading.FAILED

    def client_by_ports(self, talk: Talk, forward: bool, ports: Sequence[int] | frozenset[int]) -> bool:
        """The direction of the client, by ports: the registered, else the lower one is the server's."""
        if talk.client_forward is not None:
            return talk.client_forward
        source, destination = talk.row.ports(forward)
        if (source in ports) != (destination in ports):
            return forward == (destination in ports)
        return forward == (destination <= source)

    def orient(self, talk: Talk, forward: bool, dissector: Dissector, head: bytes) -> None:
        """Tell client and server apart where the opening was not recorded."""
        if talk.client_forward is not None:
            if talk.key is None:
                talk.orient(talk.client_forward)
            return
        speaks = dissector.client_speaks(head) if dissector.client_speaks is not None else None
        if speaks is None:
            talk.client_forward = self.client_by_ports(talk, forward, dissector.ports)
        else:
            talk.client_forward = forward == speaks
        talk.orient(talk.client_forward)

    def begins(self, talk: Talk, forward: bool, payload: bytes) -> bool:
        """Whether reading may begin with a segment though what came before is not known."""
        head = payload[:HEAD_OCTETS]
        if self.fits(talk, forward, head):
            self._talks.want(talk, forward, wanted=True)
            return True
        if talk.dissector is not None:
            return False
        self._outcome.unknown(talk, self.client_by_ports(talk, forward, ()))
        return False

    def fits(self, talk: Talk, forward: bool, head: bytes) -> bool:
        """Whether reading may go on, or begin, at such octets behind a loss."""
        if talk.dissector is None:
            return self._rows.choose(talk.row.ports(forward), head) is not None
        return (talk.dissector.continues or talk.dissector.looks_like)(head)

    def hand_over(self, talk: Talk, conversation: Conversation) -> Dissector | None:
        """Give the connection to the protocol that a message named; None: there is no such row."""
        row = self._rows.named(conversation.next_protocol)
        conversation.next_protocol = conversation.memory = None
        talk.ask_again()
        if row is not None:
            talk.dissector = row
        return row
