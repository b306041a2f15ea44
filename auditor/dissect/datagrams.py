"""
Datagrams: each one is a message, or none.

What was parsed once is remembered by its octets: announcements are repeated
word for word, questions with another identifier before them, and a message says
nothing about its packet.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence

from auditor.dissect.conversations import Talk, Talks
from auditor.dissect.header import Header
from auditor.dissect.message import Message, PassedOver
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Conversation, Dissector, FlowDatagramParser, Transport
from auditor.packets.batch import FIRST_FRAGMENT
from auditor.wire import Cursor

MAX_REMEMBERED = 2_048
"""Parsed datagrams kept: at most 1,500 octets and some objects each, so about 8 MiB a protocol.

The announcements of a home come round within far fewer."""

MAX_REMEMBERED_OCTETS = 1_500  # a longer datagram was put together from fragments: rare, not worth memory

MAX_LOOKS = 8
"""Datagrams of one conversation that may be unknown, one a batch, before it is left alone."""

MAX_MEMORIES = 1_024
"""Conversations of which a dissector remembers something at once; a dissector keeps at most 16 KiB of one, so
16 MiB.  A home opens some tens within the second that an opening takes."""

IDENTIFIER_OCTETS = 2  # contract of Dissector.renumber

HEAD_OCTETS = 64  # contract of Dissector.looks_like


class DatagramReader:
    """Reads the datagrams of one transport."""

    def __init__(
        self, transport: Transport, dissectors: Sequence[Dissector], talks: Talks, outcome: Outcome
    ) -> None:
        rows = [row for row in dissectors if row.transport == transport and row.parse_datagram is not None]
        self._by_port: dict[int, list[Dissector]] = {}
        for row in rows:
            for port in row.ports:
                self._by_port.setdefault(port, []).append(row)
        self._any_port = [row for row in rows if row.any_port]
        self._has_ports = transport == "udp"
        self._rows = rows
        self._talks = talks
        self._outcome = outcome
        self._remembered: dict[str, dict[bytes, Message]] = {row.name: {} for row in rows}
        self._conversations: OrderedDict[int, Conversation] = OrderedDict()
        """Those with a memory by their talk's number, the oldest first."""

    def read(self, talk: Talk, forward: bool, header: Header, payload: bytes) -> None:
        """Take one datagram of a conversation."""
        if talk.looks < 0:
            return
        dissector = talk.dissector
        message: Message | None = None
        has_memory = False
        if dissector is not None:
            has_memory = dissector.parse_flow_datagram is not None
            if not has_memory:
                message = self._recall(dissector, payload)
        if message is None:
            head = payload[:HEAD_OCTETS]
            if dissector is None or not (has_memory or (dissector.continues or dissector.looks_like)(head)):
                dissector = self._choose(talk, forward, head)
                if dissector is None:
                    self._note_unknown(talk, forward)
                    return
                self._claim(talk, forward, dissector)
                if dissector.parse_flow_datagram is None:
                    message = self._recall(dissector, payload)
            if message is None:
                message = self._parse(talk, forward, dissector, header, payload)
        if (
            message is not None
            and dissector is not None
            and not self._outcome.message(
                talk, dissector.name, forward, header.packet, header.timestamp_ns, message, header.link_type
            )
        ):
            self._talks.finish_datagrams(talk)

    def _parse(
        self, talk: Talk, forward: bool, dissector: Dissector, header: Header, payload: bytes
    ) -> Message | None:
        parser, with_memory = dissector.parse_datagram, dissector.parse_flow_datagram
        try:
            if with_memory is not None:
                return self._parse_with_memory(talk, forward, with_memory, payload)
            if parser is None:
                return None
            message = parser(Cursor(payload))
        except Exception as fault:  # noqa: BLE001 - any other than DecodeError is told as a fault of ours
            note = ""
            if header.marks & FIRST_FRAGMENT:
                note = " (the datagram was sent in fragments, of which the first is read)"
            elif header.missing:
                note = f" ({header.missing} octets were not captured)"
            # Issues end here, messages do not: the next datagram may be whole.
            # In a call: an error in a local of this frame would keep itself and the octets alive.
            outcome, name = self._outcome, dissector.name
            outcome.failure(
                talk, name, outcome.decode_error(name, fault), header.packet, header.timestamp_ns, note
            )
            return None
        if len(payload) <= MAX_REMEMBERED_OCTETS:
            remembered = self._remembered[dissector.name]
            if len(remembered) >= MAX_REMEMBERED:
                for oldest in list(remembered)[: MAX_REMEMBERED // 4]:
                    del remembered[oldest]
            remembered[payload if dissector.renumber is None else payload[IDENTIFIER_OCTETS:]] = message
        return message

    def _recall(self, dissector: Dissector, payload: bytes) -> Message | None:
        """What such octets were parsed to before; identifiers apart where the dissector can put one in."""
        remembered = self._remembered[dissector.name]
        renumber = dissector.renumber
        if renumber is None:
            return remembered.get(payload)
        message = remembered.get(payload[IDENTIFIER_OCTETS:])
        if message is None:
            return None
        return renumber(message, int.from_bytes(payload[:IDENTIFIER_OCTETS], "big"))

    def _parse_with_memory(
        self, talk: Talk, forward: bool, parser: FlowDatagramParser, payload: bytes
    ) -> Message | None:
        """As ``_parse``, with the conversation; None also where there is nothing to hand on."""
        conversation = talk.conversation
        if conversation is None:
            conversation = talk.conversation = Conversation()
        from_initiator = forward == talk.initiator_forward
        try:
            message = parser(Cursor(payload), from_initiator, conversation)
        finally:
            if conversation.finished:
                self._conversations.pop(talk.number, None)
                talk.conversation = None
                self._talks.finish_datagrams(talk)
            elif conversation.memory is not None:
                self._remember(talk.number, conversation)
        return None if isinstance(message, PassedOver) else message

    def _remember(self, number: int, conversation: Conversation) -> None:
        """Take the memory of the conversation that has had one for longest where there are too many."""
        if number not in self._conversations and len(self._conversations) >= MAX_MEMORIES:
            _, oldest = self._conversations.popitem(last=False)
            oldest.memory = None
        # A number comes again when its talk was forgotten and begins anew.
        self._conversations[number] = conversation

    def _claim(self, talk: Talk, forward: bool, dissector: Dissector) -> None:
        talk.dissector = dissector
        if talk.key is None:
            talk.orient(forward)
        ports = dissector.ports
        if self._has_ports and not ports.intersection(talk.row.ports(forward)):
            self._talks.want_datagrams(talk, wanted=True)

    def _choose(self, talk: Talk, forward: bool, head: bytes) -> Dissector | None:
        """By port, then by octets alone; decided by octets in either case."""
        if not self._has_ports:
            rows = (row for row in self._rows if row.looks_like(head))
            return next(rows, None)
        for port in reversed(talk.row.ports(forward)):
            for row in self._by_port.get(port, ()):
                if row.looks_like(head):
                    return row
        for row in self._any_port:
            if row.looks_like(head):
                return row
        return None

    def _note_unknown(self, talk: Talk, forward: bool) -> None:
        if self._has_ports:
            self._outcome.unknown(talk, forward)
        talk.looks += 1
        if talk.looks < MAX_LOOKS or self._has_port_of_ours(talk, forward):
            return
        if talk.dissector is None:
            self._talks.finish_datagrams(talk)
        else:
            # Media between messages: from here on one a batch is looked at, and those beside a message.
            self._talks.want_datagrams(talk, wanted=False)

    def _has_port_of_ours(self, talk: Talk, forward: bool) -> bool:
        return any(port in self._by_port for port in talk.row.ports(forward))
