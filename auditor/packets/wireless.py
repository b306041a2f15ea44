"""
Frames of a wireless network, recorded as they are in the air.

Standards: IEEE 802.11-2016 section 9.2 (frame control, addresses) and 9.3;
           the radiotap header as LINKTYPE_IEEE802_11_RADIOTAP describes it.
Reads:     addresses of every frame, and behind the header of a data frame that
           is not encrypted its LLC and SNAP headers.
           Management frames are payload as a whole.
Leaves:    aggregated frames (A-MSDU) and later fragments: marked, not unfolded.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import (
    LATER_FRAGMENT,
    MANAGEMENT,
    PROTECTED,
    SHORT_HEADERS,
    UNDECODED_LINK,
    Int64Column,
)
from auditor.packets.ethertypes import unwrap_snap
from auditor.packets.link_columns import LinkColumns, Rows
from auditor.packets.view import HeaderView, link_words

HEADER = np.dtype(
    [("control", "u1"), ("flags", "u1"), ("duration", "V2"),
     ("a4", "<u4"), ("a2", "<u2"), ("b4", "<u4"), ("b2", "<u2"), ("c4", "<u4"), ("c2", "<u2"),
     ("sequence", "<u2"), ("d4", "<u4"), ("d2", "<u2")]
)  # fmt: skip

# Frame Control, 9.2.4.1
TYPE_MANAGEMENT, TYPE_CONTROL, TYPE_DATA = 0, 1, 2
SUBTYPE_NO_DATA, SUBTYPE_QOS = 0x40, 0x80  # bits of the first octet in data frames
TO_DS, FROM_DS, MORE_FRAGMENTS, PROTECTED_FRAME, ORDER = 0x01, 0x02, 0x04, 0x40, 0x80
QOS_AMSDU = 0x80  # QoS Control, 9.2.4.5.9

SHORTEST_FRAME = 10  # acknowledgement: control, duration, one address
HEADER_OCTETS, FOURTH_ADDRESS_OCTETS, QOS_OCTETS, HT_CONTROL_OCTETS, FCS_OCTETS = 24, 6, 2, 4, 4

RADIOTAP = np.dtype([("version", "u1"), ("pad", "u1"), ("length", "<u2"), ("present", "<u4")])
PRESENT_TIME, PRESENT_FLAGS, PRESENT_MORE = 0x1, 0x2, 0x8000_0000
FLAG_FCS_AT_END, FLAG_PADDED_HEADER = 0x10, 0x20
# Words of present bits; real headers have one to four.
MAX_PRESENT_WORDS = 16


def decode_radiotap(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    """Step over the radiotap header, then decode the frame behind it."""
    numbers = _numbers(columns, rows)
    at, end = columns.network[numbers], columns.end[numbers]
    heads = view.take(np.minimum(at, end), RADIOTAP)
    length = heads["length"].astype(np.int64)
    good = (at + 8 <= end) & (heads["version"] == 0) & (length >= 8) & (at + length <= end)
    columns.marks[numbers[~good]] |= SHORT_HEADERS
    numbers, heads, length = numbers[good], heads[good], length[good]
    flags = _radiotap_flags(view, columns.network[numbers], length, heads["present"])
    columns.network[numbers] += length
    fcs = numbers[flags & FLAG_FCS_AT_END != 0]
    columns.end[fcs] = np.maximum(columns.end[fcs] - FCS_OCTETS, columns.network[fcs])
    _decode(view, columns, numbers, flags & FLAG_PADDED_HEADER != 0)


def _radiotap_flags(
    view: HeaderView, start: Int64Column, length: Int64Column, present: npt.NDArray[Any]
) -> npt.NDArray[np.uint8]:
    """The Flags field, behind the present words and the time (aligned to 8 octets); 0 where there is none."""
    first = present.copy()
    fields_at = np.full(len(start), 8, np.int64)
    more = np.flatnonzero(first & np.uint32(PRESENT_MORE))
    for _ in range(MAX_PRESENT_WORDS):
        more = more[fields_at[more] + 4 <= length[more]]
        if not len(more):
            break
        words = view.take(start[more] + fields_at[more], np.dtype("<u4"))
        fields_at[more] += 4
        more = more[words & np.uint32(PRESENT_MORE) != 0]
    timed = first & np.uint32(PRESENT_TIME) != 0
    fields_at = np.where(timed, (fields_at + 7 & ~7) + 8, fields_at)
    there = (first & np.uint32(PRESENT_FLAGS) != 0) & (fields_at < length)
    flags = view.take(start + np.where(there, fields_at, 0), np.dtype("u1"))
    return np.where(there, flags, np.uint8(0)).astype(np.uint8)


def decode_ieee802_11(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    """Frames that begin with the 802.11 header."""
    numbers = _numbers(columns, rows)
    _decode(view, columns, numbers, np.zeros(len(numbers), np.bool_))


def _numbers(columns: LinkColumns, rows: Rows) -> Int64Column:
    return np.arange(len(columns.end), dtype=np.int64)[rows]


def _decode(view: HeaderView, columns: LinkColumns, rows: Int64Column, padded: npt.NDArray[np.bool_]) -> None:
    room = columns.end[rows] - columns.network[rows]
    columns.marks[rows[room < SHORTEST_FRAME]] |= SHORT_HEADERS
    keep = room >= SHORTEST_FRAME
    rows, room, padded = rows[keep], room[keep], padded[keep]
    heads = view.take(columns.network[rows], HEADER)
    kind = heads["control"] >> 2 & 3
    one = link_words(heads["a4"], heads["a2"])
    two = link_words(heads["b4"], heads["b2"])
    three = link_words(heads["c4"], heads["c2"])
    four = link_words(heads["d4"], heads["d2"])
    whole = room >= HEADER_OCTETS
    columns.marks[rows[(kind != TYPE_CONTROL) & ~whole]] |= SHORT_HEADERS
    to_ds, from_ds = heads["flags"] & TO_DS != 0, heads["flags"] & FROM_DS != 0
    # 9.2.4.1.3: of a management frame in fragments the later ones begin inside a field.
    management = (kind == TYPE_MANAGEMENT) & whole
    later = management & (heads["sequence"] & 0x000F != 0)
    columns.marks[rows[later]] |= LATER_FRAGMENT
    columns.marks[rows[management & ~later]] |= MANAGEMENT
    data = (kind == TYPE_DATA) & whole
    four_addresses = data & to_ds & from_ds & (room >= HEADER_OCTETS + FOURTH_ADDRESS_OCTETS)
    # Table 9-26: where destination and source stand depends on the two DS bits.
    destination = np.where(data & to_ds, three, one)
    source = np.where(data & from_ds, np.where(to_ds, four, three), two)
    source[~whole | (kind == TYPE_CONTROL)] = 0
    source[data & to_ds & from_ds & ~four_addresses] = 0
    columns.destination[rows] = destination
    columns.source[rows] = source
    _find_content(view, columns, rows[data], heads[data], padded[data])


def _find_content(
    view: HeaderView,
    columns: LinkColumns,
    rows: Int64Column,
    heads: npt.NDArray[Any],
    padded: npt.NDArray[np.bool_],
) -> None:
    """Behind the headers of data frames, the SNAP header of those that can be read."""
    control, flags = heads["control"], heads["flags"]
    carries = control & SUBTYPE_NO_DATA == 0
    protected = carries & (flags & PROTECTED_FRAME != 0)
    columns.marks[rows[protected]] |= PROTECTED
    later = carries & (heads["sequence"] & 0x000F != 0)
    columns.marks[rows[later]] |= LATER_FRAGMENT
    four_addresses = flags & (TO_DS | FROM_DS) == TO_DS | FROM_DS
    qos = control & SUBTYPE_QOS != 0
    length = np.full(len(rows), HEADER_OCTETS, np.int64) + np.where(four_addresses, FOURTH_ADDRESS_OCTETS, 0)
    qos_at = columns.network[rows] + length
    length += np.where(qos, QOS_OCTETS, 0)
    length += np.where(qos & (flags & ORDER != 0), HT_CONTROL_OCTETS, 0)
    length = np.where(padded, length + 3 & ~3, length)
    end = columns.end[rows]
    qos_fits = qos & (qos_at + QOS_OCTETS <= end)
    aggregated = qos_fits & (view.take(np.minimum(qos_at, end), np.dtype("u1")) & QOS_AMSDU != 0)
    columns.marks[rows[carries & aggregated & ~protected]] |= UNDECODED_LINK
    columns.network[rows] = np.minimum(columns.network[rows] + length, end)
    readable = carries & ~protected & ~later & ~aggregated
    fits = columns.network[rows] + 8 <= end
    columns.marks[rows[readable & ~fits]] |= SHORT_HEADERS
    unwrap_snap(view, columns, rows[readable & fits])
