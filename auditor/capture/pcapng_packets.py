"""
Columns of the packet blocks in one window, and the options behind the frames.

Standard: draft-ietf-opsawg-pcapng (Enhanced Packet Block 4.3, Simple Packet
          Block 4.4, obsolete Packet Block appendix A).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from auditor.capture.pcapng_blocks import MAX_OPTIONS, OPTION_COMMENT, OPTION_END, Interface
from auditor.capture.record import Int64Column, IssueKind, RecordChunk
from auditor.capture.rolling import RollingBuffer
from auditor.capture.tally import Tally

PACKET, SIMPLE, ENHANCED = 2, 3, 6
FRAME_AT = 28  # behind type, length, interface, two words of time, two lengths; the obsolete block alike
SIMPLE_FRAME_AT = 12
DROPS_UNKNOWN = 0xFFFF  # appendix A: the obsolete block's drop count when it is not known
OPTION_DROPCOUNT = 4  # epb_dropcount, section 4.3

BooleanColumn = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PacketColumns:
    """One entry a packet block."""

    frame: Int64Column
    captured: Int64Column
    original: Int64Column
    interface: Int64Column
    """Number within the section."""
    raw_time: npt.NDArray[np.uint64]
    """Units of the interface's clock; 0 where the block has none."""
    timed: BooleanColumn | None
    """None: every block carries a time."""
    declared: BooleanColumn
    """Whether the section has declared the interface."""
    options_end: Int64Column
    """Where the options end; they begin behind the padded frame."""
    faults: dict[str, BooleanColumn]
    """Rows by what is wrong with them."""

    def select(self, rows: BooleanColumn) -> Self:
        """The chosen rows alone; faults are left behind."""
        chosen: dict[str, Any] = {"faults": {}}
        for field in fields(self):
            if field.name != "faults":
                column = getattr(self, field.name)
                chosen[field.name] = None if column is None else column[rows]
        return type(self)(**chosen)


def packet_columns(
    window: RollingBuffer, offsets: Int64Column, order: str, interfaces: list[Interface]
) -> PacketColumns:
    """
    Decode the fixed fields of packet blocks, whose own lengths have been checked.

    A frame that claims more than its block holds is cut to the block.
    """
    names = ("kind", "length", "interface", "high", "low", "captured", "original")
    heads = window.gather(offsets, np.dtype([(name, order + "u4") for name in names]))
    length = heads["length"].astype(np.int64)
    interface = heads["interface"].astype(np.int64)
    captured = heads["captured"].astype(np.int64)
    original = heads["original"].astype(np.int64)
    raw = heads["high"].astype(np.uint64)
    raw <<= np.uint64(32)
    raw |= heads["low"]
    frame = offsets + FRAME_AT
    block_end = offsets + length
    block_end -= 4
    timed: BooleanColumn | None = None
    kind = heads["kind"]
    if not (kind == ENHANCED).all():
        simple = kind == SIMPLE
        _read_obsolete(window, offsets, order, kind == PACKET, interface)
        if simple.any():
            timed = ~simple
            raw[simple] = 0
            interface[simple] = 0
            frame[simple] = offsets[simple] + SIMPLE_FRAME_AT
            original[simple] = heads["interface"][simple]
            limit = interfaces[0].snap_length if interfaces else 0
            room = length[simple] - (SIMPLE_FRAME_AT + 4)
            captured[simple] = np.minimum(original[simple], room)
            if limit:
                captured[simple] = np.minimum(captured[simple], limit)
    declared = interface < len(interfaces)
    faults: dict[str, BooleanColumn] = {}
    room = block_end - frame
    _note(faults, "claim more octets than their block holds", captured > room)
    _note(faults, "claim fewer octets on the wire than were recorded", original < captured)
    _note(faults, "name an interface that was not declared and were left out", ~declared)
    if faults:
        captured = np.minimum(captured, room)
        original = np.maximum(original, captured)
    return PacketColumns(
        frame=frame,
        captured=captured,
        original=original,
        interface=interface,
        raw_time=raw,
        timed=timed,
        declared=declared,
        options_end=block_end,
        faults=faults,
    )


def _note(faults: dict[str, BooleanColumn], what: str, rows: BooleanColumn) -> None:
    if rows.any():
        faults[what] = rows


def _read_obsolete(
    window: RollingBuffer, offsets: Int64Column, order: str, rows: BooleanColumn, interface: Int64Column
) -> None:
    """The obsolete block has 16 bits of interface number where the later one has 32."""
    if rows.any():
        interface[rows] = window.gather(offsets[rows] + 8, np.dtype(order + "u2"))


def read_packet_options(
    window: RollingBuffer,
    columns: PacketColumns,
    chunk: RecordChunk,
    order: str,
    interfaces: list[Interface],
    tally: Tally,
) -> None:
    """
    Note comments and drop counts of packet blocks.

    All blocks are stepped through together, an option a round; only comments
    and drop counts are looked at one by one.
    """
    at = columns.frame + (columns.captured + 3 & ~3)
    rows = np.flatnonzero(at + 4 <= columns.options_end)
    if columns.timed is not None:
        rows = rows[columns.timed[rows]]  # simple blocks end with their padding
    at = at[rows]
    head = np.dtype([("code", order + "u2"), ("length", order + "u2")])
    for _ in range(MAX_OPTIONS):
        if not len(rows):
            return
        heads = window.gather(at, head)
        code, length = heads["code"], heads["length"].astype(np.int64)
        broken = at + 4 + length > columns.options_end[rows]
        broken &= code != OPTION_END
        if broken.any():
            first = int(chunk.packet_number[rows[int(np.argmax(broken))]])
            tally.count_packets(
                IssueKind.DAMAGED, "carry options that break their block", int(broken.sum()), first
            )
        going_on = (code != OPTION_END) & ~broken
        wanted = going_on & ((code == OPTION_COMMENT) | ((code == OPTION_DROPCOUNT) & (length == 8)))
        for item in np.flatnonzero(wanted).tolist():
            row, start = int(rows[item]), int(at[item]) + 4
            value = bytes(window.buffer[start : start + int(length[item])])
            if code[item] == OPTION_COMMENT:
                tally.add_comment(value, int(chunk.timestamp_ns[row]), int(chunk.packet_number[row]))
            else:
                drops = int.from_bytes(value, "little" if order == "<" else "big")
                interfaces[int(columns.interface[row])].counted_drops += drops
        at = (at + 4 + (length + 3 & ~3))[going_on]
        rows = rows[going_on]
        fits = at + 4 <= columns.options_end[rows]
        at, rows = at[fits], rows[fits]
