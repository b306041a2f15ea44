"""
One-way rows: what the packets of one exact key add up to.

The key is all that stands in the header: link addresses, VLAN, ethertype,
protocol, addresses, ports.  Rows of consecutive parts of a recording add up
(``merge``).  Pairing them to two-way flows is for ``auditor.flows.pairing``,
when everything is known.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, KeyTable, UInt64, before, group_order, run_starts
from auditor.packets.batch import ACK, PROTOCOL_TCP, PROTOCOL_UDP, RST, SYN, PacketBatch

KEY_WORDS = 7
SOURCE_LINK, DESTINATION_LINK, PORTS, SOURCE_HIGH, SOURCE_LOW, DESTINATION_HIGH, DESTINATION_LOW = range(7)
"""Words of a key.  Above the 48 bits of the link addresses stand ethertype and protocol; ``PORTS`` holds
VLAN (24 bits), source port (from bit 32) and destination port (from bit 48)."""

OPENED = 0x01  # a SYN without ACK went this way
ACCEPTED = 0x02  # a SYN with ACK went this way
FOLDED = 0x04  # several rows in one

SYSTEM_PORTS = 1024
"""Ports below are for services (RFC 6335 section 6)."""

_LINK_BITS = np.uint64((1 << 48) - 1)
_ROWS_AT_ONCE = 1 << 14
_NEVER_NS = np.iinfo(np.int64).max
_LONG_AGO_NS = np.iinfo(np.int64).min

_COLUMNS: dict[str, tuple[type[np.generic], int]] = {
    "packets": (np.int64, 0),  # copies aside
    "octets": (np.int64, 0),
    "payload": (np.int64, 0),
    "duplicates": (np.int64, 0),
    "first_ns": (np.int64, _NEVER_NS),
    "last_ns": (np.int64, _LONG_AGO_NS),
    "capture_index": (np.int64, 0),
    "packet_number": (np.int64, 0),
    "hop_limit": (np.uint8, 0),
    "tcp_flags": (np.uint8, 0),
    "marks": (np.uint8, 0),
    "connections": (np.int64, 0),  # SYNs with new sequence numbers; of folded rows the rows they hold
    "first_syn": (np.int64, -1),
    "last_syn": (np.int64, -1),
    "acknowledged": (
        np.int64,
        -1,
    ),  # number of the last packet with ACK: how far the other direction has come
    "conversation": (np.int64, -1),
}

_SUMS = ("packets", "octets", "payload", "duplicates")


class FlowRows:
    """Columns beside a key table; all public columns have one entry a row."""

    __slots__ = ("_filled", "_room", "keys", *_COLUMNS)

    packets: Int64
    octets: Int64
    payload: Int64
    duplicates: Int64
    first_ns: Int64
    last_ns: Int64
    capture_index: Int64
    packet_number: Int64
    hop_limit: npt.NDArray[np.uint8]
    tcp_flags: npt.NDArray[np.uint8]
    marks: npt.NDArray[np.uint8]
    connections: Int64
    first_syn: Int64
    last_syn: Int64
    acknowledged: Int64
    conversation: Int64

    def __init__(self, expected: int = 0) -> None:
        self.keys = KeyTable(KEY_WORDS, expected)
        self._room = self._filled = 0
        for name, (kind, _) in _COLUMNS.items():
            setattr(self, name, np.zeros(0, kind))
        self._make_room()

    def __len__(self) -> int:
        return self.keys.count

    def column(self, name: str) -> npt.NDArray[np.generic]:
        """The filled part of a column."""
        column: npt.NDArray[np.generic] = getattr(self, name)[: self.keys.count]
        return column

    def _make_room(self) -> None:
        room = self.keys.room
        if room == self._room:
            return
        for name, (kind, _) in _COLUMNS.items():
            column = np.empty(room, kind)
            column[: self._filled] = getattr(self, name)[: self._filled]
            setattr(self, name, column)
        self._room = room

    def _fill(self) -> None:
        """Give new rows their initial values; what was never written takes no memory."""
        begin, end = self._filled, self.keys.count
        if end > begin:
            for name, (_, initial) in _COLUMNS.items():
                getattr(self, name)[begin:end] = initial
            self._filled = end

    def locate(self, keys: UInt64) -> Int64:
        """Rows of these keys; new ones begin empty."""
        rows = self.keys.locate(keys)
        self._make_room()
        self._fill()
        return rows

    def add(self, batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_]) -> Int64:
        """Count a batch in; returns the row of each packet."""
        known = len(self)
        rows = self.locate(_packet_keys(batch))
        order, begin = group_order(rows, self._room)
        touched = rows[order[begin]]
        octets = batch.original_length
        payload = batch.payload_length + batch.payload_missing
        packets = np.diff(np.append(begin, len(order)))
        if is_duplicate.any():
            counted = (~is_duplicate).astype(np.int64)
            octets, payload = octets * counted, payload * counted
            originals = np.add.reduceat(counted[order], begin)
            self.duplicates[touched] += packets - originals
            packets = originals
        self.packets[touched] += packets
        self.octets[touched] += np.add.reduceat(octets[order], begin)
        self.payload[touched] += np.add.reduceat(payload[order], begin)
        moments = batch.timestamp_ns[order]
        self.first_ns[touched] = np.minimum(self.first_ns[touched], np.minimum.reduceat(moments, begin))
        self.last_ns[touched] = np.maximum(self.last_ns[touched], np.maximum.reduceat(moments, begin))
        self.tcp_flags[touched] |= np.bitwise_or.reduceat(batch.tcp_flags[order], begin)
        last = order[np.append(begin[1:], len(order)) - 1]
        # A RST may carry any number (RFC 9293 3.10.7): the one before it stands.
        last = last[(batch.tcp_flags[last] & (ACK | RST)) == ACK]
        self.acknowledged[rows[last]] = batch.tcp_acknowledgement[last]
        is_new = touched >= known
        fresh, first = touched[is_new], order[begin[is_new]]
        self.capture_index[fresh] = batch.capture_index[first]
        self.packet_number[fresh] = batch.packet_number[first]
        self.hop_limit[fresh] = batch.hop_limit[first]
        return rows

    def add_openings(self, rows: Int64, flags: npt.NDArray[np.uint8], sequences: Int64) -> None:
        """Count SYNs in, in the order they were recorded; a repeated sequence number is a retransmission."""
        if not len(rows):
            return
        order = np.argsort(rows, kind="stable")
        row, sequence = rows[order], sequences[order]
        begin = run_starts(row)
        touched = row[begin]
        previous = before(sequence)
        previous[begin] = self.last_syn[touched]
        self.connections[touched] += np.add.reduceat((sequence != previous).astype(np.int64), begin)
        none_before = self.first_syn[touched] < 0
        self.first_syn[touched[none_before]] = sequence[begin[none_before]]
        self.last_syn[touched] = sequence[np.append(begin[1:], len(row)) - 1]
        mark = np.where(flags[order] & ACK, ACCEPTED, OPENED).astype(np.uint8)
        self.marks[touched] |= np.bitwise_or.reduceat(mark, begin)

    def merge(self, later: FlowRows) -> None:
        """Add the rows of the part of the recording that follows."""
        if not len(later):
            return
        known = len(self)
        rows = self.locate(later.keys.keys)
        count = len(later)
        for name in _SUMS:
            getattr(self, name)[rows] += getattr(later, name)[:count]
        self.first_ns[rows] = np.minimum(self.first_ns[rows], later.first_ns[:count])
        self.last_ns[rows] = np.maximum(self.last_ns[rows], later.last_ns[:count])
        self.tcp_flags[rows] |= later.tcp_flags[:count]
        fresh = np.flatnonzero(rows >= known)
        for name in ("capture_index", "packet_number", "hop_limit", "first_syn"):
            getattr(self, name)[rows[fresh]] = getattr(later, name)[fresh]
        is_folded = ((self.marks[rows] | later.marks[:count]) & FOLDED) != 0
        is_folded &= rows < known
        mine, theirs = self.connections[rows], later.connections[:count]
        repeats = (later.first_syn[:count] >= 0) & (later.first_syn[:count] == self.last_syn[rows])
        self.connections[rows] = np.where(
            is_folded, np.maximum(1, mine) + np.maximum(1, theirs), mine + theirs - repeats
        )
        self.marks[rows] |= later.marks[:count]
        has_acknowledged = later.acknowledged[:count] >= 0
        self.acknowledged[rows[has_acknowledged]] = later.acknowledged[:count][has_acknowledged]
        has_syn = later.last_syn[:count] >= 0
        self.first_syn[rows] = np.where(
            self.first_syn[rows] < 0, later.first_syn[:count], self.first_syn[rows]
        )
        self.last_syn[rows[has_syn]] = later.last_syn[:count][has_syn]

    def regroup(self, keys: UInt64) -> FlowRows:
        """The same traffic under coarser keys, one column a row of this table; rows that meet are folded."""
        joined = FlowRows()
        by_time = np.lexsort(
            (self.column("packet_number"), self.column("capture_index"), self.column("first_ns"))
        )
        # In slices: looking all up at once would hold several copies of the keys when memory is scarce.
        slices = [by_time[begin : begin + _ROWS_AT_ONCE] for begin in range(0, len(by_time), _ROWS_AT_ONCE)]
        rows = np.concatenate([joined.locate(keys[:, piece]) for piece in slices])
        order = np.argsort(rows, kind="stable")
        begin = run_starts(rows[order])
        touched = rows[order[begin]]
        source = by_time[order]
        is_single = np.diff(np.append(begin, len(order))) == 1
        for name in _SUMS:
            getattr(joined, name)[touched] = np.add.reduceat(getattr(self, name)[source], begin)
        joined.first_ns[touched] = self.first_ns[source[begin]]
        joined.last_ns[touched] = np.maximum.reduceat(self.last_ns[source], begin)
        joined.tcp_flags[touched] = np.bitwise_or.reduceat(self.tcp_flags[source], begin)
        joined.marks[touched] = np.bitwise_or.reduceat(self.marks[source], begin)
        for name in (
            "capture_index",
            "packet_number",
            "hop_limit",
            "first_syn",
            "last_syn",
            "acknowledged",
            "conversation",
        ):
            getattr(joined, name)[touched] = getattr(self, name)[source[begin]]
        for name in ("first_syn", "last_syn", "acknowledged", "conversation"):
            getattr(joined, name)[touched[~is_single]] = -1
        together = np.add.reduceat(np.maximum(1, self.connections[source]), begin)
        joined.connections[touched] = np.where(is_single, self.connections[source[begin]], together)
        joined.marks[touched[~is_single]] |= FOLDED
        return joined


def _packet_keys(batch: PacketBatch) -> UInt64:
    keys = np.empty((KEY_WORDS, len(batch)), np.uint64)
    np.left_shift(batch.ethertype, 48, out=keys[SOURCE_LINK], dtype=np.uint64, casting="unsafe")
    keys[SOURCE_LINK] |= batch.source_link
    np.left_shift(batch.protocol, 48, out=keys[DESTINATION_LINK], dtype=np.uint64, casting="unsafe")
    keys[DESTINATION_LINK] |= batch.destination_link
    np.left_shift(batch.source_port, 32, out=keys[PORTS], dtype=np.uint64, casting="unsafe")
    ports = batch.destination_port.astype(np.uint64)
    ports <<= np.uint64(48)
    keys[PORTS] |= ports
    keys[PORTS] |= batch.vlan_id
    keys[SOURCE_HIGH] = batch.source_high
    keys[SOURCE_LOW] = batch.source_low
    keys[DESTINATION_HIGH] = batch.destination_high
    keys[DESTINATION_LOW] = batch.destination_low
    return keys


def conversation_events(batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_]) -> tuple[Int64, Int64]:
    """
    Packets that open something, and their tags, for ``rhythm.RhythmTable``.

    SYNs without ACK, and IP datagrams that are not by their ports an answer of
    a system service: its client's port changes, and would make a conversation
    of each exchange.
    """
    is_event = (batch.ip_version != 0) & (batch.protocol != PROTOCOL_TCP)
    from_service = (batch.source_port < SYSTEM_PORTS) & (batch.destination_port >= SYSTEM_PORTS)
    is_event &= ~from_service | (batch.protocol != PROTOCOL_UDP)
    is_event |= (batch.tcp_flags & (SYN | ACK)) == SYN
    is_event &= ~is_duplicate
    events = np.flatnonzero(is_event)
    # The port belongs to it: some small hosts begin every connection with the same sequence number.
    opening = batch.tcp_sequence[events].astype(np.int64) | batch.source_port[events].astype(np.int64) << 32
    tags = np.where(batch.protocol[events] == PROTOCOL_TCP, opening, -1)
    return events, tags


def conversation_keys(keys: UInt64) -> UInt64:
    """
    Conversation of rows: the key without the source port, VLAN and link addresses.

    The source's link address stays where the address does not tell hosts
    apart (unspecified).  ICMP keeps its type, which stands where a source port
    would.
    """
    protocol = keys[DESTINATION_LINK] >> np.uint64(48)
    has_ports = (protocol == PROTOCOL_TCP) | (protocol == PROTOCOL_UDP)
    service = np.where(has_ports, keys[PORTS] >> np.uint64(48), keys[PORTS] >> np.uint64(32))
    service |= protocol << np.uint64(32)
    link = np.where(is_unspecified(keys[SOURCE_HIGH], keys[SOURCE_LOW]), keys[SOURCE_LINK] & _LINK_BITS, 0)
    return np.stack(
        (
            link.astype(np.uint64),
            service,
            keys[SOURCE_HIGH],
            keys[SOURCE_LOW],
            keys[DESTINATION_HIGH],
            keys[DESTINATION_LOW],
        )
    )


_MAPPED_PREFIX = np.uint64(int.from_bytes(b"\x00\x00\xff\xff\x00\x00\x00\x00", "little"))


def is_unspecified(high: UInt64, low: UInt64) -> npt.NDArray[np.bool_]:
    """Whether addresses are all zeros, IPv4 in mapped form too (RFC 4291 sections 2.5.2 and 2.5.5.2)."""
    result: npt.NDArray[np.bool_] = (high == 0) & ((low == 0) | (low == _MAPPED_PREFIX))
    return result
