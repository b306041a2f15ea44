"""
The two directions of each flow, added up from its rows.

Where a flow was recorded at two places the filter for duplicates has marked
most copies, and those that came too late for it still stand in the rows of
the other place.  A packet passes each place at most once, so no direction can
have more packets than the place that saw most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, group_order
from auditor.flows.pairing import Pairing
from auditor.flows.rows import FlowRows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ways:
    """Columns of shape (2, flows): forward and backward; zero where nothing went that way."""

    packets: Int64
    octets: Int64
    payload: Int64
    duplicates: Int64
    first_ns: Int64
    """The greatest integer where nothing went that way."""
    last_ns: Int64
    tcp_flags: npt.NDArray[np.uint8]
    marks: npt.NDArray[np.uint8]
    connections: Int64
    row: Int64
    """The row nearest to the sender: the highest hop limit, then the earliest; -1 where there is none."""
    capture_index: Int64
    packet_number: Int64
    """Of the earliest packet."""
    rows: Int64
    """Rows that the direction is made of."""


def add_up(rows: FlowRows, pairing: Pairing) -> Ways:
    """Add the rows of each direction up."""
    count = 2 * pairing.flow_count
    way = pairing.flow + pairing.is_backward * pairing.flow_count
    hop_limit = rows.hop_limit[: len(rows)].astype(np.int64)
    by_nearness = np.lexsort((rows.column("first_ns"), -hop_limit))
    order, begin = group_order(way[by_nearness], max(1, count))
    order = by_nearness[order]
    used = way[order[begin]] if len(order) else np.zeros(0, np.int64)

    def spread(values: npt.NDArray[Any], initial: int = 0) -> npt.NDArray[Any]:
        column = np.full(count, initial, values.dtype)
        column[used] = values
        return column.reshape(2, -1)

    if not len(order):
        empty = np.zeros((2, 0), np.int64)
        small = np.zeros((2, 0), np.uint8)
        return Ways(
            packets=empty, octets=empty, payload=empty, duplicates=empty, first_ns=empty, last_ns=empty,
            tcp_flags=small, marks=small, connections=empty, row=empty, capture_index=empty,
            packet_number=empty, rows=empty,
        )  # fmt: skip
    sums = {
        name: np.add.reduceat(getattr(rows, name)[order], begin) for name in ("packets", "octets", "payload")
    }
    duplicates = np.add.reduceat(rows.duplicates[order], begin)
    seen = rows.packets[order] + rows.duplicates[order]
    most = np.maximum.reduceat(seen, begin)
    surplus = np.maximum(0, sums["packets"] - most)
    for place in np.flatnonzero(surplus).tolist():
        stop = begin[place + 1] if place + 1 < len(begin) else len(order)
        members = order[begin[place] : stop]
        best = members[np.argmax(rows.packets[members] + rows.duplicates[members])]
        for name in ("octets", "payload"):
            sums[name][place] = getattr(rows, name)[best]
    earliest = _earliest(rows, order, begin)
    return Ways(
        packets=spread(sums["packets"] - surplus),
        octets=spread(sums["octets"]),
        payload=spread(sums["payload"]),
        duplicates=spread(duplicates + surplus),
        first_ns=spread(np.minimum.reduceat(rows.first_ns[order], begin), np.iinfo(np.int64).max),
        last_ns=spread(np.maximum.reduceat(rows.last_ns[order], begin), np.iinfo(np.int64).min),
        tcp_flags=spread(np.bitwise_or.reduceat(rows.tcp_flags[order], begin)),
        marks=spread(np.bitwise_or.reduceat(rows.marks[order], begin)),
        connections=spread(np.maximum.reduceat(rows.connections[order], begin)),
        row=spread(order[begin], -1),
        capture_index=spread(rows.capture_index[earliest]),
        packet_number=spread(rows.packet_number[earliest]),
        rows=spread(np.diff(np.append(begin, len(order)))),
    )


def _earliest(rows: FlowRows, order: Int64, begin: Int64) -> Int64:
    """Of each group the row whose first packet came first."""
    group = np.zeros(len(order), np.int64)
    group[begin] = 1
    group = np.cumsum(group) - 1
    by_time = np.lexsort((rows.packet_number[order], rows.capture_index[order], rows.first_ns[order], group))
    result: Int64 = order[by_time[begin]]
    return result


def first_way(ways: Ways) -> Int64:
    """Which direction began; packets of one moment stand in the order of their recording."""
    is_second = ways.packet_number[1] < ways.packet_number[0]
    for column in (ways.capture_index, ways.first_ns):
        is_second = np.where(column[0] == column[1], is_second, column[1] < column[0])
    is_second = np.where(ways.row[0] < 0, True, is_second & (ways.row[1] >= 0))
    result: Int64 = is_second.astype(np.int64)
    return result
