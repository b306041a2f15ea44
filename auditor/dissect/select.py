"""
Which packets of a batch are worth a Python object: decided on whole columns.

A packet is chosen when its port is one that a dissector names, when its first
octets are those of a message, when it opens or closes a connection, or when it
belongs to a conversation that is being read.  Nothing here decides what a
payload is; that is done by its octets afterwards.

Conversations are told apart by a 64-bit number mixed from addresses, ports and
protocol under keys drawn anew for each run, so that nobody can craft two that
share one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.dissect.interest import (
    GOLDEN,
    SLOTS,
    Finished,
    Interest,
    Mask,
    direction_number,
    slot_of,
    slots_of,
)
from auditor.dissect.numbers import Numbers
from auditor.dissect.registry import Dissector, Transport
from auditor.packets.batch import (
    FIN,
    PROTOCOL_GRE,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
    PROTOCOL_IGMP,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    RST,
    SYN,
    Int64Column,
    PacketBatch,
    UInt64Column,
)

HEAD_OCTETS = 64  # contract of Dissector.looks_like
NOWHERE = np.iinfo(np.int64).max
OPENING_PACKETS = 6
"""Of a conversation that begins within a batch so many are chosen at once: SYN both ways, two payloads each.
Whether the others are wanted is asked again when these have been read."""
OTHER_PROTOCOLS: dict[Transport, int] = {
    "icmp": PROTOCOL_ICMP,
    "icmpv6": PROTOCOL_ICMPV6,
    "igmp": PROTOCOL_IGMP,
    "gre": PROTOCOL_GRE,
}
MANAGEMENT_FRAMES = 0
"""Stands for 802.11 management frames where others have a protocol number or an ethertype."""


@dataclass(slots=True, kw_only=True, eq=False)
class Chosen:
    """
    Columns of the chosen packets, one conversation after the other in the order of their first packets.

    What is known of a conversation is at hand in the caches while its packets are read; those of one
    are in recorded order.
    """

    index: Int64Column
    """Row in the batch."""
    conversation: list[int]
    forward: list[bool]
    """Which of the two directions; a name without meaning but for telling them apart."""
    protocol: list[int]
    """IANA protocol number; of frames without IP their ethertype (IEEE 802.3: at least 0x0600), or
    ``MANAGEMENT_FRAMES``."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Deferred:
    """TCP packets of conversations that begin within the batch, behind their first ones."""

    rows: Int64Column
    numbers: UInt64Column
    forward: Mask
    slots: npt.NDArray[np.intp]
    begins: Mask


class Selector:
    """The choice, with what it has to remember between batches."""

    def __init__(self, dissectors: tuple[Dissector, ...], is_finished: Callable[[int, bool], bool]) -> None:
        """``is_finished(conversation, forward)``: whether nothing further of a direction will be read."""
        self._is_finished = is_finished
        self._numbers = Numbers()
        self.wanted = Interest()
        """Directions of which every payload is wanted."""
        self.finished = Finished()
        """Directions whose payload is not looked at even where it begins like a message."""
        self.passing: dict[int, int] = {}
        """Directions of which nothing is wanted before a sequence number, by ``direction_number``."""
        self._passing_slots = Interest()
        self._deferred: _Deferred | None = None
        self._marks = np.zeros(SLOTS // 2, np.bool_)
        self._first_place = np.full(SLOTS // 2, NOWHERE, np.int64)

        self._tcp_beginnings = np.zeros(1 << 16, np.bool_)
        self._tcp_ports = np.zeros(1 << 16, np.bool_)
        self._udp_ports = np.zeros(1 << 16, np.bool_)
        self._other = np.zeros(256, np.bool_)
        self._ethertypes = np.zeros(1 << 16, np.bool_)
        self._udp_looks: list[Callable[[bytes], bool]] = []
        for dissector in dissectors:
            self._register(dissector)

    def _register(self, dissector: Dissector) -> None:
        ports = list(dissector.ports)
        if dissector.transport == "udp":
            self._udp_ports[ports] = True
            if dissector.any_port:
                self._udp_looks.append(dissector.looks_like)
        elif dissector.transport == "tcp":
            for beginning in dissector.beginnings:
                self._tcp_beginnings[int.from_bytes(beginning[:2], "little")] = True
            if not dissector.beginnings and not dissector.needs_opening:
                self._tcp_ports[ports] = True
        elif dissector.transport == "ethernet":
            self._ethertypes[ports] = True
        elif dissector.transport == "ieee80211":
            self._ethertypes[MANAGEMENT_FRAMES] = True
        else:
            self._other[OTHER_PROTOCOLS[dissector.transport]] = True

    def may_begin(self, octets: bytes, ports: tuple[int, int]) -> bool:
        """Whether a segment with these first octets may be a beginning: what ``choose`` asks of columns."""
        if len(octets) == 2 and self._tcp_beginnings[int.from_bytes(octets, "little")]:
            return True
        return bool(self._tcp_ports[ports[0]] or self._tcp_ports[ports[1]])

    def pass_over(self, conversation: int, forward: bool, until: int) -> None:
        """Want nothing of a direction that lies before the sequence number ``until``."""
        number = direction_number(conversation, forward)
        if number not in self.passing:
            self._passing_slots.add(slot_of(conversation, forward))
        self.passing[number] = until

    def is_passed(self, conversation: int, forward: bool, end: int) -> bool:
        """Whether a segment that ends before ``end`` lies wholly inside what is passed over."""
        until = self.passing.get(direction_number(conversation, forward))
        # RFC 9293 section 3.4: comparison modulo 2**32.
        return until is not None and (until - end) & 0xFFFF_FFFF < 1 << 31

    def stop_passing(self, conversation: int, forward: bool) -> None:
        """Forget what ``pass_over`` was told."""
        if self.passing.pop(direction_number(conversation, forward), None) is not None:
            self._passing_slots.remove(slot_of(conversation, forward))

    def choose(self, batch: PacketBatch, is_duplicate: Mask) -> Chosen:
        """
        Choose packets of a batch; duplicates never.

        When they have been read, ``choose_rest`` gives the others that are wanted by then.
        """
        usable = (batch.payload_offset >= 0) & ~is_duplicate
        loaded = (batch.payload_length > 0) & usable
        protocol = batch.protocol
        closing = (batch.tcp_flags & (SYN | FIN | RST)) != 0
        tcp = np.flatnonzero((protocol == PROTOCOL_TCP) & usable & (loaded | closing))
        udp = np.flatnonzero((protocol == PROTOCOL_UDP) & loaded)
        other = np.flatnonzero(self._other[protocol] & loaded)
        frames = np.flatnonzero(loaded & (batch.ip_version == 0))
        frames = frames[self._ethertypes[batch.ethertype[frames]]]

        tcp_numbers, tcp_forward = self._numbers.of_packets(batch, tcp)
        keep = self._choose_tcp(batch, tcp, tcp_numbers, tcp_forward)
        tcp, tcp_numbers, tcp_forward = tcp[keep], tcp_numbers[keep], tcp_forward[keep]
        udp_numbers, udp_forward = self._numbers.of_packets(batch, udp)
        keep = self._choose_udp(batch, udp, udp_numbers, udp_forward)
        udp, udp_numbers, udp_forward = udp[keep], udp_numbers[keep], udp_forward[keep]
        other_numbers, other_forward = self._numbers.of_packets(batch, other)
        frame_numbers, frame_forward = self._numbers.of_frames(batch, frames)

        index = np.concatenate((tcp, udp, other, frames))
        numbers = np.concatenate((tcp_numbers, udp_numbers, other_numbers, frame_numbers))
        order = _by_conversation(index, numbers)
        index = index[order]
        kind = protocol[index].astype(np.int64)
        if frames.size:
            kind += np.where(batch.ip_version[index] == 0, batch.ethertype[index], 0)
        return Chosen(
            index=index,
            conversation=numbers[order].tolist(),
            forward=np.concatenate((tcp_forward, udp_forward, other_forward, frame_forward))[order].tolist(),
            protocol=kind.tolist(),
        )

    def choose_rest(self, batch: PacketBatch) -> Chosen | None:
        """Of the conversations that began within the batch: what is wanted now that their opening is read."""
        rest, self._deferred = self._deferred, None
        if rest is None:
            return None
        slots = rest.slots
        chosen = self.wanted.column[slots] > 0
        begins = np.flatnonzero(rest.begins & ~chosen)
        chosen[self.finished.leave(begins, slots, rest.numbers, rest.forward, self._is_finished)] = True
        chosen |= ((batch.tcp_flags[rest.rows] & (FIN | RST)) != 0) & self._is_known(slots)
        if self.passing:
            self._leave_out_passing(batch, rest.rows, rest.numbers, rest.forward, slots, chosen)
        keep = np.flatnonzero(chosen)
        if not keep.size:
            return None
        keep = keep[_by_conversation(keep, rest.numbers[keep])]
        return Chosen(
            index=rest.rows[keep],
            conversation=rest.numbers[keep].tolist(),
            forward=rest.forward[keep].tolist(),
            protocol=[PROTOCOL_TCP] * len(keep),
        )

    def _choose_tcp(
        self, batch: PacketBatch, rows: Int64Column, numbers: UInt64Column, forward: Mask
    ) -> npt.NDArray[np.intp]:
        if not rows.size:
            return np.zeros(0, np.intp)
        slots = slots_of(numbers, forward)
        length = batch.payload_length[rows]
        begins = self._tcp_beginnings[_first_two_octets(batch, batch.payload_offset[rows])] & (length >= 2)
        begins |= self._tcp_ports[batch.source_port[rows]] | self._tcp_ports[batch.destination_port[rows]]
        begins &= length > 0
        places = np.flatnonzero(begins)
        begins[places] = False
        begins[self.finished.leave(places, slots, numbers, forward, self._is_finished)] = True
        flags = batch.tcp_flags[rows]
        begins |= (flags & SYN) != 0
        chosen = begins | (self.wanted.column[slots] > 0)
        chosen |= ((flags & (FIN | RST)) != 0) & self._is_known(slots)
        self._defer(rows, numbers, forward, slots, begins, chosen)
        if self.passing:
            self._leave_out_passing(batch, rows, numbers, forward, slots, chosen)
        return np.flatnonzero(chosen)

    def _defer(
        self,
        rows: Int64Column,
        numbers: UInt64Column,
        forward: Mask,
        slots: npt.NDArray[np.intp],
        begins: Mask,
        chosen: Mask,
    ) -> None:
        """
        Choose the first packets of each conversation that begins here; the others are for ``choose_rest``.

        In one conversation nothing is chosen now that stands behind something
        kept for later: each is read in its order.
        """
        beginnings = np.flatnonzero(begins)
        if not beginnings.size:
            return
        # Slots leave few packets to compare; numbers then tell apart the conversations that share one.
        pairs = slots >> 1
        marked = pairs[beginnings]
        self._first_place[marked[::-1]] = beginnings[
            ::-1
        ]  # of equal slots the last written stands: the first
        candidates = np.flatnonzero(np.arange(len(slots)) >= self._first_place[pairs])
        self._first_place[marked] = NOWHERE
        known, first = np.unique(numbers[beginnings], return_index=True)
        place = np.minimum(np.searchsorted(known, numbers[candidates]), len(known) - 1)
        is_behind = candidates >= beginnings[first][place]
        following = np.flatnonzero((known[place] == numbers[candidates]) & is_behind)
        following = following[np.argsort(place[following], kind="stable")]
        order, grouped = candidates[following], place[following]
        is_first = np.ones(len(order), np.bool_)
        np.not_equal(grouped[1:], grouped[:-1], out=is_first[1:])
        begin = np.flatnonzero(is_first)
        rank = np.arange(len(order)) - np.repeat(begin, np.diff(np.append(begin, len(order))))
        is_early = rank < OPENING_PACKETS
        chosen[order] = is_early
        late = np.sort(order[~is_early])
        if late.size:
            self._deferred = _Deferred(
                rows=rows[late],
                numbers=numbers[late],
                forward=forward[late],
                slots=slots[late],
                begins=begins[late],
            )

    def _is_known(self, slots: npt.NDArray[np.intp]) -> Mask:
        known: Mask = (self.finished.column[slots] | self.finished.column[slots ^ 1]) > 0
        known |= (self.wanted.column[slots] | self.wanted.column[slots ^ 1]) > 0
        return known

    def _leave_out_passing(
        self,
        batch: PacketBatch,
        rows: Int64Column,
        numbers: UInt64Column,
        forward: Mask,
        slots: npt.NDArray[np.intp],
        chosen: Mask,
    ) -> None:
        """Take back the choice of segments that lie wholly inside a body that is passed over."""
        doubtful = np.flatnonzero(chosen & (self._passing_slots.column[slots] > 0))
        if not doubtful.size:
            return
        keys = np.array(sorted(self.passing), np.uint64)
        until = np.array([self.passing[key] for key in keys.tolist()], np.int64)
        wanted = numbers[doubtful] ^ (forward[doubtful] * np.uint64(GOLDEN))
        place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        passes = keys[place] == wanted
        at = rows[doubtful]
        end = batch.tcp_sequence[at] + batch.payload_length[at] + batch.payload_missing[at]
        # RFC 9293 section 3.4: comparison modulo 2**32.
        beyond = ((end - until[place] + (1 << 31)) & 0xFFFF_FFFF) - (1 << 31)
        flags = batch.tcp_flags[at] & (SYN | FIN | RST)
        chosen[doubtful[passes & (beyond <= 0) & (flags == 0)]] = False

    def _choose_udp(
        self, batch: PacketBatch, rows: Int64Column, numbers: UInt64Column, forward: Mask
    ) -> npt.NDArray[np.intp]:
        if not rows.size:
            return np.zeros(0, np.intp)
        chosen = self._udp_ports[batch.source_port[rows]] | self._udp_ports[batch.destination_port[rows]]
        if not self._udp_looks:
            return np.flatnonzero(chosen)
        slots = slots_of(numbers, forward)
        wanted = self.wanted.column[slots] > 0
        # Where both directions are wanted every packet is chosen already.
        rest = np.flatnonzero(~chosen & ~(wanted & (self.wanted.column[slots ^ 1] > 0)))
        chosen |= wanted
        # One datagram of every conversation and batch is looked at, wherever it goes; where it begins like a
        # message, so are the others.
        _, first = np.unique(numbers[rest], return_index=True)
        firsts = rest[first]
        firsts = self.finished.leave(firsts, slots, numbers, forward, self._is_finished)
        chosen[firsts] = True
        offsets = batch.payload_offset[rows[firsts]].tolist()
        lengths = batch.payload_length[rows[firsts]].tolist()
        buffer = batch.buffer
        promising = [
            self._is_promising(bytes(buffer[start : start + min(length, HEAD_OCTETS)]))
            for start, length in zip(offsets, lengths, strict=True)
        ]
        marked = slots[firsts[promising]] >> 1
        self._marks[marked] = True
        chosen |= self._marks[slots >> 1]
        self._marks[marked] = False
        return np.flatnonzero(chosen)

    def _is_promising(self, head: bytes) -> bool:
        for looks_like in self._udp_looks:  # noqa: SIM110 - a generator doubles what the asking costs
            if looks_like(head):
                return True
        return False


def _by_conversation(index: Int64Column, numbers: UInt64Column) -> npt.NDArray[np.intp]:
    """The order of ``Chosen``, of packets in any order."""
    order = np.lexsort((index, numbers))
    begins = np.ones(len(order), np.bool_)
    np.not_equal(numbers[order[1:]], numbers[order[:-1]], out=begins[1:])
    first = index[order[begins]]
    by_first: npt.NDArray[np.intp] = order[np.argsort(first[np.cumsum(begins) - 1], kind="stable")]
    return by_first


def _first_two_octets(batch: PacketBatch, offsets: Int64Column) -> npt.NDArray[np.intp]:
    """Little-endian word at each offset; the buffer's slack covers reads behind the last octet."""
    octets = np.frombuffer(batch.buffer, np.uint8)
    last = len(octets) - 1
    low = octets[np.minimum(offsets, last)].astype(np.intp)
    low |= octets[np.minimum(offsets + 1, last)].astype(np.intp) << 8
    return low
