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

from auditor.dissect.conversations import MAX_CONVERSATIONS, Direction, Endpoints, Talk, Talks
from auditor.dissect.datagrams import DatagramReader
from auditor.dissect.header import Header
from auditor.dissect.message import Envelope, Issue
from auditor.dissect.outcome import Outcome
from auditor.dissect.registry import Dissector, Transport
from auditor.dissect.select import MANAGEMENT_FRAMES, OTHER_PROTOCOLS, Chosen, Selector
from auditor.dissect.streams import StreamReader
from auditor.dissect.table import DISSECTORS
from auditor.flows.flow import FlowKey, PacketReference
from auditor.flows.stream import SEQUENCE_SPACE
from auditor.packets.batch import FIN, PROTOCOL_TCP, PROTOCOL_UDP, RST, SYN, PacketBatch

# Half the time of calling the classes.
_reference: Callable[[tuple[int, int]], PacketReference] = partial(tuple.__new__, PacketReference)
_header: Callable[[tuple[object, ...]], Header] = partial(tuple.__new__, Header)

CONTROL = SYN | FIN | RST


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
        flags_of = flags.tolist()
        places = zip(batch.capture_index[rows].tolist(), batch.packet_number[rows].tolist(), strict=True)
        headers = zip(
            sequences.tolist(),
            batch.tcp_acknowledgement[rows].tolist(),
            flags_of,
            batch.payload_missing[rows].tolist(),
            batch.marks[rows].tolist(),
            map(_reference, places),
            batch.timestamp_ns[rows].tolist(),
            batch.link_type[rows].tolist(),
            strict=True,
        )
        starts = batch.payload_offset[rows]
        columns = zip(
            rows.tolist(),
            chosen.conversation,
            chosen.forward,
            chosen.protocol,
            starts.tolist(),
            (starts + batch.payload_length[rows]).tolist(),
            flags_of,
            map(_header, headers),
            strict=True,
        )
        streams, items, talks = self._streams, self._outcome.items, self._talks.table
        find, mark_heard, datagrams = talks.get, talks.move_to_end, self._datagrams
        is_wanted, read_on = streams.is_wanted, streams.read_on
        known, latest = len(items), -1
        with memoryview(batch.buffer) as view:
            for row, number, forward, protocol, start, stop, flag, header in columns:
                talk = find(number)
                if number != latest and talk is not None:
                    latest = number
                    mark_heard(number)
                if protocol != PROTOCOL_TCP:
                    if talk is None:
                        talk = self._add(batch, row, number, forward)
                    elif talk.looks < 0:  # read to its end earlier in this batch
                        continue
                    datagrams[protocol].read(talk, forward, header, bytes(view[start:stop]))
                elif flag & CONTROL:
                    talk = self._of_control(talk, batch, row, number, forward, header)
                    if talk is None:
                        continue
                    streams.read(talk, forward, header, bytes(view[start:stop]))
                else:
                    if talk is None:
                        talk = self._add(batch, row, number, forward)
                    else:
                        direction = talk.directions[forward]
                        if direction.finished or (
                            (direction.stream is None or direction.is_passing)
                            and not is_wanted(talk, forward, header, view[start:stop])
                        ):
                            continue
                    read_on(talk, forward, header, bytes(view[start:stop]))
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

    def _of_control(
        self, talk: Talk | None, batch: PacketBatch, row: int, number: int, forward: bool, header: Header
    ) -> Talk | None:
        """
        The conversation that opens or closes with a packet; None where nothing is left to read.

        ``talk``: the one with this number that is known.
        """
        if talk is None:
            is_told = header.flags & SYN or batch.payload_length[row]
            return self._add(batch, row, number, forward) if is_told else None
        if header.flags & SYN:
            if not self._streams.is_other_connection(talk, forward, (header.sequence - 1) % SEQUENCE_SPACE):
                return talk
            self._streams.close(talk)
            return self._add(batch, row, number, forward)
        if talk.is_finished:
            self._streams.end(talk, forward, header.flags)
            return None
        return talk

    def _add(self, batch: PacketBatch, row: int, number: int, forward: bool) -> Talk:
        ends = Endpoints(batch, row, forward)
        talk = Talk(number, ends, (Direction(), Direction()) if ends.protocol == PROTOCOL_TCP else ())
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
