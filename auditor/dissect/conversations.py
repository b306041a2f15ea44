"""
What dispatch remembers of each conversation, and the bounds of that memory.

A conversation is what two endpoints say over one transport: for TCP one
connection, for everything else all datagrams between two ports.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator

from auditor.dissect.interest import slot_of
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.select import Selector
from auditor.flows.flow import Endpoint, FlowKey
from auditor.flows.stream import ByteStream
from auditor.packets.batch import (
    PROTOCOL_IGMP,
    PacketBatch,
    address_from_words,
    link_from_word,
)

MAX_CONVERSATIONS = 20_000
"""Conversations known at once: at about 1 KiB each 20 MiB.  A home has some hundreds at a time; a day of name
lookups from fresh ports pushes out only those that have long been answered."""

MAX_ENDPOINTS = 20_000
"""Endpoints kept so that equal ones are one object."""


class Direction:
    """What one side of a conversation sends."""

    __slots__ = (
        "contradicting_segments",
        "finished",
        "has_fin",
        "is_passing",
        "is_resumed",
        "needed",
        "opening",
        "reached",
        "starts",
        "stream",
        "wanted",
        "was_read",
        "zero_sequence",
    )

    def __init__(self) -> None:
        self.opening: int | None = None
        """Sequence number of the SYN."""
        self.stream: ByteStream | None = None
        """None: not in step, or nothing came yet."""
        self.zero_sequence = 0
        """Sequence number of the stream's position 0, modulo 2**32."""
        self.reached = 0
        """Position behind the farthest octet seen."""
        self.starts: list[int] = []
        """Sequence numbers of segments that wait behind a gap, where reading may begin again."""
        self.was_read = False
        """Reading has begun once: what comes without a stream is behind a loss."""
        self.is_resumed = False
        """The next octets are the first ones behind a loss."""
        self.needed = 0
        """Octets that must be in order before parsing them again can tell more."""
        self.contradicting_segments = 0
        """Segments with other octets than those held for the same place."""
        self.has_fin = False
        self.finished = False
        """Nothing further is to be read."""
        self.wanted = False
        """Every payload is chosen, whatever it begins with."""
        self.is_passing = False
        """A body is passed over whose packets are not chosen."""


class Talk:
    """One conversation."""

    __slots__ = (
        "client_forward",
        "conversation",
        "directions",
        "dissector",
        "held_octets",
        "initiator_forward",
        "is_wanted",
        "issues",
        "key",
        "looks",
        "messages",
        "number",
        "row",
    )

    def __init__(self, number: int, row: Endpoints, directions: tuple[Direction, ...]) -> None:
        self.number = number
        self.row = row
        """The ends as first seen."""
        self.key: FlowKey | None = None
        self.initiator_forward: bool | None = None
        """Which direction the initiator sends in; None: not known yet."""
        self.client_forward: bool | None = None
        self.dissector: Dissector | None = None
        self.conversation: Conversation | None = None
        self.directions = directions
        """By ``forward``; none but for TCP."""
        self.messages = 0
        self.issues = 0
        self.looks = 0
        """Datagrams that no dissector knew; -1: none is looked at any more."""
        self.is_wanted = False
        """Datagrams are chosen whatever their ports."""
        self.held_octets = 0
        """In the streams of both directions."""

    @property
    def is_finished(self) -> bool:
        """Whether nothing further is read of a connection."""
        directions = self.directions
        return bool(directions) and directions[0].finished and directions[1].finished

    def ask_again(self) -> None:
        """Forget how many octets an incomplete message needs: what told so holds no more."""
        for direction in self.directions:
            direction.needed = 0

    def orient(self, initiator_forward: bool) -> FlowKey:
        """Make, or remake, the flow key with the initiator first."""
        self.initiator_forward = initiator_forward
        self.key = self.row.key(initiator_forward)
        return self.key


class Endpoints:
    """The two ends as the first packet showed them, made into objects only when somebody asks."""

    __slots__ = ("destination", "ethertype", "forward", "protocol", "source", "vlan_id")

    def __init__(self, batch: PacketBatch, index: int, forward: bool) -> None:
        self.forward = forward
        self.ethertype = batch.ethertype.item(index)
        self.protocol = batch.protocol.item(index)
        self.vlan_id = batch.vlan_id.item(index)
        # Contract of Endpoint.port: for ICMP the type at the initiator, the code at the other; 0 for IGMP.
        has_ports = self.protocol != PROTOCOL_IGMP
        self.source = (
            batch.source_link.item(index),
            batch.source_high.item(index),
            batch.source_low.item(index),
            batch.source_port.item(index) if has_ports else 0,
        )
        self.destination = (
            batch.destination_link.item(index),
            batch.destination_high.item(index),
            batch.destination_low.item(index),
            batch.destination_port.item(index) if has_ports else 0,
        )

    def ports(self, forward: bool) -> tuple[int, int]:
        """Source and destination port of packets in that direction."""
        here, there = self.source[3], self.destination[3]
        return (here, there) if forward == self.forward else (there, here)

    def key(self, initiator_forward: bool) -> FlowKey:
        """The flow key with the ends in that order."""
        ends = _endpoint(self.source), _endpoint(self.destination)
        initiator, responder = ends if initiator_forward == self.forward else ends[::-1]
        return FlowKey(initiator, responder, self.ethertype, self.protocol, self.vlan_id)


_known: dict[tuple[int, int, int, int], Endpoint] = {}


def _endpoint(words: tuple[int, int, int, int]) -> Endpoint:
    """The endpoint of these words; equal ones are one object as long as memory allows."""
    found = _known.get(words)
    if found is None:
        if len(_known) >= MAX_ENDPOINTS:
            _known.clear()
        link, high, low, port = words
        found = Endpoint(link_from_word(link), address_from_words(high, low), port)
        _known[words] = found
    return found


class Talks:
    """
    The conversations known, the one not heard of for longest first.

    Those of one batch stand in the order of their first packets there.
    """

    __slots__ = ("_selector", "table")

    def __init__(self, selector: Selector) -> None:
        self.table: OrderedDict[int, Talk] = OrderedDict()
        """By number; for the loop over packets, which marks one as heard of without a call."""
        self._selector = selector

    def __len__(self) -> int:
        return len(self.table)

    def __iter__(self) -> Iterator[Talk]:
        return iter(list(self.table.values()))

    def add(self, talk: Talk) -> Talk | None:
        """Put one in; gives back the oldest where there was no room, for the caller to close."""
        oldest = None
        if len(self.table) >= MAX_CONVERSATIONS:
            oldest = next(iter(self.table.values()))
        self.table[talk.number] = talk
        return oldest

    def remove(self, talk: Talk) -> None:
        """Forget a conversation and what it wanted to see."""
        if talk.directions:
            for forward, direction in enumerate(talk.directions):
                if direction.wanted:
                    self.want(talk, bool(forward), wanted=False)
                if direction.is_passing:
                    self._selector.stop_passing(talk.number, bool(forward))
                if direction.finished:
                    self._selector.finished.remove_conversation(talk.number, bool(forward))
        else:
            self.want_datagrams(talk, wanted=False)
            if talk.looks < 0:
                self._finished_datagrams(talk, is_finished=False)
        self.table.pop(talk.number, None)

    def want(self, talk: Talk, forward: bool, *, wanted: bool) -> None:
        """Say whether every payload of a direction is to be chosen."""
        direction = talk.directions[forward]
        if direction.wanted == wanted:
            return
        direction.wanted = wanted
        slot = slot_of(talk.number, forward)
        if wanted:
            self._selector.wanted.add(slot)
        else:
            self._selector.wanted.remove(slot)

    def finish(self, talk: Talk, forward: bool) -> None:
        """Say that nothing further of a direction is to be read."""
        direction = talk.directions[forward]
        if not direction.finished:
            direction.finished = True
            direction.stream = None
            direction.starts.clear()
            self.want(talk, forward, wanted=False)
            if direction.is_passing:
                direction.is_passing = False
                self._selector.stop_passing(talk.number, forward)
            self._selector.finished.add_conversation(talk.number, forward)

    def finish_datagrams(self, talk: Talk) -> None:
        """Say that datagrams of a conversation need not be looked at any more."""
        if talk.looks >= 0:
            talk.looks = -1
            self.want_datagrams(talk, wanted=False)
            self._finished_datagrams(talk, is_finished=True)

    def want_datagrams(self, talk: Talk, *, wanted: bool) -> None:
        """Say whether every datagram of a conversation is to be chosen whatever its ports."""
        if talk.is_wanted != wanted:
            talk.is_wanted = wanted
            change = self._selector.wanted.add if wanted else self._selector.wanted.remove
            change(slot_of(talk.number, True))
            change(slot_of(talk.number, False))

    def _finished_datagrams(self, talk: Talk, *, is_finished: bool) -> None:
        finished = self._selector.finished
        change = finished.add_conversation if is_finished else finished.remove_conversation
        change(talk.number, True)
        change(talk.number, False)

    def is_finished(self, number: int, forward: bool) -> bool:
        """Whether nothing further of a direction will be read; exact, where slots are not."""
        talk = self.table.get(number)
        if talk is None:
            return False
        return talk.directions[forward].finished if talk.directions else talk.looks < 0
