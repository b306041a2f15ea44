"""
Packets that were recorded twice.

A switch that mirrors both directions of a port, or a recording of all
interfaces of a router, holds the same packet two times or more, perhaps with
another VLAN tag, other link addresses or a hop limit one lower.  Counted twice
they would double every rate and look like retransmissions.

Two packets are the same where addresses, protocol, ports, IP identification,
TCP sequence, acknowledgement and flags and the payload's length are equal, the
later one was recorded within ``MAX_COPY_DELAY_NS``, and, where nothing in the
header tells them apart (identification 0, as in IPv6), the transport octets are equal too.  Of
frames without a transport header (later fragments, unknown protocols) all octets must be equal.  A TCP
retransmission comes later, or with another identification (RFC 6864 section
4.2: a source must not repeat one within the packet's lifetime).
"""

from __future__ import annotations

import secrets

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, UInt64, folded
from auditor.packets.batch import ETHERTYPE_ARP, PROTOCOL_TCP, PROTOCOL_UDP, PacketBatch
from auditor.units import NS_PER_MILLISECOND

MAX_COPY_DELAY_NS = NS_PER_MILLISECOND
"""A copy is recorded sooner than this: forwarding inside a home takes tens of microseconds, and no sender
repeats a packet so soon (time-outs are 1 s and more, RFC 6298 section 2.4, 200 ms in common practice)."""

MAX_CARRIED_PACKETS = 4096
"""Packets of the last millisecond remembered for the next batch: 1 ms at 1 Gbit/s is 1,488 of the shortest
frames.  Where more come, copies of the earlier ones among them are not found."""

MAX_COPIES_ROUNDS = 32
"""How often a run of equal packets, each within the delay of the one before, is parted into originals and
copies; what is left counts as copies.  Paths inside a home give at most a handful of copies."""

_TRANSPORT_OCTETS = {PROTOCOL_TCP: 20, PROTOCOL_UDP: 8}  # of the header before the payload, options aside
_WORDS = 8


class DuplicateFilter:
    """Marks copies in consecutive batches of one recording."""

    __slots__ = ("_carried_moments", "_carried_prints", "_multipliers", "duplicates")

    def __init__(self) -> None:
        self._multipliers = [np.uint64(secrets.randbits(64) | 1) for _ in range(_WORDS)]
        self._carried_prints = np.zeros((2, 0), np.uint64)  # of the header, and of header and payload
        self._carried_moments = np.zeros(0, np.int64)
        self.duplicates = 0
        """Copies marked so far."""

    def mark(self, batch: PacketBatch) -> npt.NDArray[np.bool_]:
        """One boolean a packet: it is a copy of an earlier one."""
        count = len(batch)
        is_copy = np.zeros(count, bool)
        if not count:
            return is_copy
        prints = np.concatenate((self._carried_prints[0], self._header_prints(batch)))
        moments = np.concatenate((self._carried_moments, batch.timestamp_ns))
        carried = len(self._carried_moments)
        order = self._candidates(prints, moments)
        if order.size:
            full = prints.copy()
            full[:carried] = self._carried_prints[1]
            here = order[order >= carried]
            full[here] = self._full_prints(batch, here - carried, prints[here])
            copies = _find_copies(order, full, moments)
            is_copy[copies[copies >= carried] - carried] = True
            self.duplicates += int(np.count_nonzero(is_copy))
        self._carry(batch, prints[carried:], is_copy)
        return is_copy

    def _header_prints(self, batch: PacketBatch) -> UInt64:
        """Hash of the fields that copies share; multiply-shift with secret multipliers as in ``keys``."""
        ports = batch.source_port.astype(np.uint64)
        ports |= batch.destination_port.astype(np.uint64) << np.uint64(16)
        ports |= batch.protocol.astype(np.uint64) << np.uint64(32)
        ports |= batch.tcp_flags.astype(np.uint64) << np.uint64(40)
        ports |= batch.ethertype.astype(np.uint64) << np.uint64(48)
        sequence = batch.tcp_sequence.astype(np.uint64)
        sequence |= batch.tcp_acknowledgement.astype(np.uint64) << np.uint64(32)
        length = batch.identification.astype(np.uint64)
        length |= (batch.payload_length + batch.payload_missing).astype(np.uint64) << np.uint64(32)
        words = (batch.source_high, batch.destination_high, batch.source_low, batch.destination_low)
        prints = np.zeros(len(batch), np.uint64)
        for word, multiplier in zip((*words, ports, sequence, length), self._multipliers, strict=False):
            product = folded(word)
            product *= multiplier
            prints += product
        # Frames without a transport header differ in octets that no column holds: their frames are compared,
        # and length and link addresses spare most of them that.
        # Those with payload, but without internet addresses, are told apart by their link addresses.
        is_frame = (batch.ip_version == 0) & (batch.ethertype != ETHERTYPE_ARP)
        bare = np.flatnonzero(is_frame | (batch.payload_offset < 0))
        if bare.size:
            links = batch.source_link[bare] ^ (batch.destination_link[bare] << np.uint64(16))
            lengths = batch.original_length[bare] * (batch.payload_offset[bare] < 0)
            links += lengths.astype(np.uint64) << np.uint64(40)
            prints[bare] += links * self._multipliers[7]
        return prints

    def _candidates(self, prints: UInt64, moments: Int64) -> Int64:
        """Indices of packets whose header occurs again, equal headers together and in order; mostly none."""
        slots = (prints >> np.uint64(48)).astype(np.int64)
        last = np.empty(1 << 16, np.int32)
        index = np.arange(len(prints), dtype=np.int32)
        last[slots] = index
        earlier = np.flatnonzero(last[slots] != index)
        if not earlier.size:
            return earlier
        is_shared = np.zeros(1 << 16, bool)
        is_shared[slots[earlier]] = True
        shared = np.flatnonzero(is_shared[slots])
        order = shared[np.argsort(prints[shared], kind="stable")]
        near = (prints[order[1:]] == prints[order[:-1]]) & (
            np.abs(moments[order[1:]] - moments[order[:-1]]) < MAX_COPY_DELAY_NS
        )
        keep = np.zeros(len(order), bool)
        keep[1:] = near
        keep[:-1] |= near
        return order[keep]

    def _full_prints(self, batch: PacketBatch, indices: Int64, prints: UInt64) -> UInt64:
        """Add the octets where the header alone does not tell one packet from the next of its flow."""
        is_bare = batch.payload_offset[indices] < 0
        needs_octets = np.flatnonzero(is_bare | (batch.identification[indices] == 0))
        view = memoryview(batch.buffer)
        digests = np.zeros(len(indices), np.int64)
        for place in needs_octets.tolist():
            index = int(indices[place])
            if is_bare[place]:
                start = int(batch.frame_offset[index])
                stop = start + int(batch.captured_length[index])
            else:
                start = int(batch.payload_offset[index])
                stop = start + int(batch.payload_length[index])
                start -= _TRANSPORT_OCTETS.get(int(batch.protocol[index]), 0)
            digests[place] = hash(bytes(view[max(0, start) : stop]))  # keyed anew for each run
        return prints + digests.view(np.uint64)

    def _carry(self, batch: PacketBatch, prints: UInt64, is_copy: npt.NDArray[np.bool_]) -> None:
        """Remember the originals that a copy in the next batch could repeat."""
        moment, begin = batch.timestamp_ns, max(0, len(batch) - MAX_CARRIED_PACKETS)
        latest = int(moment[-1])
        is_recent = (np.abs(moment[begin:] - latest) < MAX_COPY_DELAY_NS) & ~is_copy[begin:]
        recent = begin + np.flatnonzero(is_recent)
        kept = self._carried_moments > latest - MAX_COPY_DELAY_NS
        full = self._full_prints(batch, recent, prints[recent])
        fresh = np.stack((prints[recent], full))
        carried = np.concatenate((self._carried_prints[:, kept], fresh), axis=1)
        self._carried_prints = carried[:, -MAX_CARRIED_PACKETS:]
        moments = np.concatenate((self._carried_moments[kept], batch.timestamp_ns[recent]))
        self._carried_moments = moments[-MAX_CARRIED_PACKETS:]


def _find_copies(order: Int64, prints: UInt64, moments: Int64) -> Int64:
    """Of the candidates, those within the delay of an equal original before them."""
    order = order[np.lexsort((order, prints[order]))]
    moment, value = moments[order], prints[order]
    begins = np.ones(len(order), bool)
    begins[1:] = (value[1:] != value[:-1]) | (np.abs(moment[1:] - moment[:-1]) >= MAX_COPY_DELAY_NS)
    is_copy = np.zeros(len(order), bool)
    group = np.cumsum(begins) - 1
    pending = np.arange(len(order))
    for _ in range(MAX_COPIES_ROUNDS):
        if not pending.size:
            break
        labels = group[pending]
        first = np.append(True, labels[1:] != labels[:-1])
        origin = moment[pending[first]][np.cumsum(first) - 1]
        is_near = moment[pending] - origin < MAX_COPY_DELAY_NS
        is_copy[pending[is_near & ~first]] = True
        pending = pending[~is_near]
    is_copy[pending] = True
    return order[is_copy]
