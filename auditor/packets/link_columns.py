"""What the decoders of link headers fill in together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.packets.batch import SHORT_HEADERS, Int64Column, UInt8Column, UInt32Column, UInt64Column

Rows = slice | Int64Column
"""All packets, or the numbers of some."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkColumns:
    """Mutable columns that the link decoders fill in; one entry a packet."""

    source: UInt64Column
    destination: UInt64Column
    ethertype: Int64Column
    """0: nothing we read.  Below 0x0600: an LLC header of that length begins at ``network``."""
    network: Int64Column
    """Where the octets behind the link header begin."""
    end: Int64Column
    """Where the frame's captured octets end, without the check sequence where the header tells of one."""
    marks: UInt8Column
    vlan_id: UInt32Column


def leave_short(columns: LinkColumns, rows: Rows, octets: int) -> Rows:
    """Mark frames shorter than their link header; return the rows that are left."""
    short = columns.end[rows] - columns.network[rows] < octets
    if not short.any():
        return rows
    numbers = np.arange(len(columns.end))[rows] if isinstance(rows, slice) else rows
    columns.marks[numbers[short]] |= SHORT_HEADERS
    return numbers[~short]
