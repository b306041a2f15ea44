"""
From packet columns to messages.

Order of choice: exact port, then the first octets, then unknown; but a port
only makes payload worth a look, and octets decide.  A ClientHello on the port
of name lookups is TLS, HTTP is HTTP on any port.

``feed`` takes one batch after the other and gives back what could be read by
then; ``finish`` gives what was still waiting for more octets.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt

from auditor.dissect.conversations import MAX_CONVERSATIONS, Endpoints, Talk, Talks
from auditor.dissect.datagrams import DatagramReader
from auditor.dissect.message import Envelope, Issue
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Dissector, Transport
from auditor.dissect.segment import Segment
from auditor.dissect.select import MANAGEMENT_FRAMES, OTHER_PROTOCOLS, Chosen, Selector
from auditor.dissect.streams import StreamReader
from auditor.dissect.table import DISSECTORS
from auditor.flows.flow import FlowKey, PacketReference
from auditor.flows.stream import SEQUENCE_SPACE
from auditor.packets.batch import FIN, PROTOCOL_TCP, PROTOCOL_UDP, RST, SYN, PacketBatch

# Half the time of calling the classes.
_reference: Callable[[tuple[int, int]], PacketReference] = partial(tuple.__new__, PacketReference)
_segment: Callable[[tuple[object, ...]], Segment] = partial(tuple.__new__, Segment)


class Dispatcher:
    """Finds the messages of one run's packets; packets are fed in the order of time."""

    def __init__(self, dissectors: tuple[Dissector, ...] = DISSECTORS, *, strict: bool = False) -> None:
        """``strict``: a fault of a dissector is raised instead of being listed as an issue."""
        self._outcome = Outcome(strict=strict)
        self._selector = Selector(dissectors, self._is_finished)
        self._talks = Talks(self._selector)
        self._streams = StreamReader(dissectors, self._talks, self._selector, self._outcome)
        self._datagrams = self._datagram_readers(dissectors)
        self._has_said_full = False

    def _datagram_readers(self, dissectors: tuple[Dissector, ...]) -> dict[int, DatagramReader]:
        """One for each value of ``Chosen.protocol``; an ethertype has its own, for it decides."""

        def reader(transport: Transport, rows: Sequence[Dissector] = dissectors) -> DatagramReader:
            return DatagramReader(transport, rows, self._talks, self._outcome)

        readers = {PROTOCOL_UDP: reader("udp"), MANAGEMENT_FRAMES: reader("ieee80211")}
        readers |= {number: reader(transport) for transport, number in OTHER_PROTOCOLS.items()}
        frames = [row for row in dissectors if row.transport == "ethernet"]
        for ethertype in sorted({ethertype for row in frames for ethertype in row.ports}):
            readers[ethertype] = reader("ethernet", [row for row in frames if ethertype in row.ports])
        return readers

    @property
    def unclaimed(self) -> dict[FlowKey, int]:
        """
        Flows with payload that no dissector knew, and how many such payloads were looked at.

        The numbers are minimum values: an unknown conversation is looked at now
        and then only.  Bounded; a flow that is not here may have been known.
        """
        return self._outcome.unclaimed

    @property
    def contradicting(self) -> tuple[FlowKey, ...]:
        """Flows of which a side was given up, because its segments contradict each other; bounded."""
        return tuple(self._outcome.contradicting)

    def feed(self, batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_]) -> list[Envelope | Issue]:
        """
        Read the packets of a batch.

        ``is_duplicate``: packets that were recorded before; they are left out.
        """
        chosen = self._selector.choose(batch, is_duplicate)
        origins = self._read(batch, chosen)
        rest = self._selector.choose_rest(batch)
        if rest is not None:
            origins += self._read(batch, rest)
        items = self._outcome.take()
        if rest is None or len(items) < 2:
            return items
        order = sorted(range(len(items)), key=origins.__getitem__)
        return [items[place] for place in order]

    def _read(self, batch: PacketBatch, chosen: Chosen) -> list[int]:
        """Read packets; gives for each item that came of it the row of the packet that brought it."""
        rows = chosen.index
        origins: list[int] = []
        if not rows.size:
            return origins
        # One conversion for each column and batch: element access on columns costs ten times as much.
        flags = batch.tcp_flags[rows]
        # RFC 9293 section 3.4: a SYN has a number of its own before the first octet; the column wraps.
        sequences = batch.tcp_sequence[rows] + ((flags & SYN) != 0)
        places = zip(batch.capture_index[rows].tolist(), batch.packet_number[rows].tolist(), strict=True)
        columns = zip(
            rows.tolist(),
            chosen.conversation,
            chosen.forward,
            chosen.protocol,
            batch.payload_offset[rows].tolist(),
            batch.payload_length[rows].tolist(),
            flags.tolist(),
            sequences.tolist(),
            batch.tcp_acknowledgement[rows].tolist(),
            batch.payload_missing[rows].tolist(),
            batch.marks[rows].tolist(),
            map(_reference, places),
            batch.timestamp_ns[rows].tolist(),
            batch.link_type[rows].tolist(),
            strict=True,
        )
        streams, items, talks = self._streams, self._outcome.items, self._talks.table
        find, mark_heard, is_wanted, read = talks.get, talks.move_to_end, streams.is_wanted, streams.read
        known = len(items)
        with memoryview(batch.buffer) as view:
            for (
                row, number, forward, protocol, start, length, flag, sequence, acknowledgement, missing,
                marks, packet, timestamp_ns, link_type,
            ) in columns:  # fmt: skip
                talk = find(number)
                if talk is not None:
                    mark_heard(number)
                if protocol == PROTOCOL_TCP:
                    if talk is None:
                        if not (length or flag & SYN):
                            continue
                    elif flag & SYN:
                        talk = self._same_connection(talk, forward, (sequence - 1) % SEQUENCE_SPACE)
                    elif flag & (FIN | RST):
                        if talk.is_finished:
                            streams.end(talk, forward, flag)
                            continue
                    elif not is_wanted(talk, forward, view, start, length, sequence + length + missing):
                        continue
                    payload = bytes(view[start : start + length])
                    segment = _segment(
                        (sequence, acknowledgement, flag, payload, missing, packet, timestamp_ns, link_type)
                    )
                    read(talk or self._add(batch, row, number, forward), forward, segment)
                elif talk is None or talk.looks >= 0:  # below 0: read to its end earlier in this batch
                    self._datagrams[protocol].read(
                        talk or self._add(batch, row, number, forward),
                        forward,
                        bytes(view[start : start + length]),
                        missing,
                        marks,
                        packet,
                        timestamp_ns,
                        link_type,
                    )
                if len(items) > known:
                    origins += [row] * (len(items) - known)
                    known = len(items)
        return origins

    def finish(self) -> list[Envelope | Issue]:
        """Hand on what was still waiting for octets that the recording does not hold."""
        for talk in self._talks:
            self._streams.close(talk)
        return self._outcome.take()

    def _is_finished(self, number: int, forward: bool) -> bool:
        return self._talks.is_finished(number, forward)

    def _same_connection(self, talk: Talk, forward: bool, sequence: int) -> Talk | None:
        """The conversation that a SYN belongs to; one that it replaces is closed."""
        if not self._streams.is_other_connection(talk, forward, sequence):
            return talk
        self._streams.close(talk)
        return None

    def _add(self, batch: PacketBatch, row: int, number: int, forward: bool) -> Talk:
        talk = Talk(number, Endpoints(batch, row, forward))
        oldest = self._talks.add(talk)
        if oldest is not None:
            self._streams.close(oldest)
            if not self._has_said_full:
                self._has_said_full = True
                problem = (
                    f"more than {MAX_CONVERSATIONS} conversations at once: those silent for longest "
                    "are forgotten, and what they say later may be read as another conversation"
                )
                packet = PacketReference(int(batch.capture_index[row]), int(batch.packet_number[row]))
                time = int(batch.timestamp_ns[row])
                self._outcome.items.append(
                    Issue(where="dispatch", problem=problem, packet=packet, timestamp_ns=time)
                )
        return talk
