"""
Coarser rows where a recording holds more of them than memory should.

Rows that were idle for a while are joined step by step, each step forgetting
one thing more, until half the limit is left.  Packets and octets stay exact
through all steps; what a row no longer knows reads as zero in its key.
A connection that goes on after its row was folded counts once more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, UInt64, run_starts
from auditor.flows.rows import (
    ACCEPTED,
    DESTINATION_HIGH,
    DESTINATION_LINK,
    DESTINATION_LOW,
    OPENED,
    PORTS,
    SOURCE_HIGH,
    SOURCE_LINK,
    SOURCE_LOW,
    FlowRows,
)
from auditor.packets.batch import ETHERTYPE_IPV6
from auditor.units import NS_PER_SECOND

IDLE_NS = 60 * NS_PER_SECOND
"""Rows without a packet for so long are folded first: most short exchanges are over then, and standing
connections of lights keep themselves alive within it (common practice)."""

CLIENT_PORT, OUTSIDE_ADDRESS, BOTH_PORTS, ADDRESSES, EVERYTHING = range(1, 6)
"""The steps, by what they forget.  ``ADDRESSES`` keeps link addresses, VLAN and ethertype; ``EVERYTHING``
leaves one row."""

_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # odd, bits well mixed
_LINK_BITS = np.uint64((1 << 48) - 1)
_SOURCE_PORT = np.uint64(0xFFFF << 32)
_DESTINATION_PORT = np.uint64(0xFFFF << 48)


def fold_rows(rows: FlowRows, limit: int) -> FlowRows:
    """Rows that are at most half of ``limit``.  The caller keeps no ``rows``: two tables fill memory."""
    now = int(rows.column("last_ns").max())
    for step in range(CLIENT_PORT, EVERYTHING + 1):
        last_ns = _last_of_flow(rows)
        is_old = last_ns <= now - IDLE_NS
        if step >= ADDRESSES or np.count_nonzero(is_old) * 2 < len(rows):
            is_old = last_ns <= np.partition(last_ns, len(rows) * 3 // 4)[len(rows) * 3 // 4]
        rows = rows.regroup(coarsen(rows, step, is_old))
        if len(rows) <= max(1, limit // 2):
            return rows
    if len(rows) > limit:  # the newest quarter alone passes the limit
        rows = rows.regroup(coarsen(rows, EVERYTHING, np.ones(len(rows), np.bool_)))
    return rows


def _last_of_flow(rows: FlowRows) -> Int64:
    """
    When each row's flow had its last packet: both directions are folded together or not at all.

    Directions are told together by a sum that is the same for both.  Where two
    flows share a sum by chance, they only grow old together; pairing exactly
    would cost four times the memory at the moment when it is scarce.
    """
    keys = rows.keys.keys
    ends = np.zeros(len(rows), np.uint64)
    for high, low, shift in ((SOURCE_HIGH, SOURCE_LOW, 32), (DESTINATION_HIGH, DESTINATION_LOW, 48)):
        end = keys[high] * _SPREAD
        end ^= keys[low]
        end *= _SPREAD
        end ^= keys[PORTS] >> np.uint64(shift) & np.uint64(0xFFFF)
        end *= _SPREAD
        end ^= end >> np.uint64(32)
        ends += end
    order = np.argsort(ends)
    begin = run_starts(ends[order])
    last_ns = np.maximum.reduceat(rows.last_ns[order], begin)
    result = np.empty(len(rows), np.int64)
    result[order] = np.repeat(last_ns, np.diff(np.append(begin, len(rows))))
    return result


def coarsen(rows: FlowRows, step: int, is_old: npt.NDArray[np.bool_]) -> UInt64:
    """Keys of the rows after one step; rows that are not old keep theirs."""
    keys = rows.keys.keys.copy()
    if step == EVERYTHING:
        keys[:, is_old] = 0
        return keys
    if step in (CLIENT_PORT, OUTSIDE_ADDRESS):
        forget = np.where(_source_is_client(rows, keys), _SOURCE_PORT, _DESTINATION_PORT)
    else:
        forget = np.full(len(rows), _SOURCE_PORT | _DESTINATION_PORT, np.uint64)
    keys[PORTS] = np.where(is_old, keys[PORTS] & ~forget, keys[PORTS])
    if step >= OUTSIDE_ADDRESS:
        is_ipv6 = (keys[SOURCE_LINK] >> np.uint64(48)) == ETHERTYPE_IPV6
        for high, low in ((SOURCE_HIGH, SOURCE_LOW), (DESTINATION_HIGH, DESTINATION_LOW)):
            is_gone = is_old.copy()
            if step < ADDRESSES:
                is_gone &= ~_is_inside(keys[high], keys[low], is_ipv6)
            keys[high, is_gone] = 0
            keys[low, is_gone] = 0
    if step == ADDRESSES:
        keys[DESTINATION_LINK, is_old] &= _LINK_BITS
    return keys


def _source_is_client(rows: FlowRows, keys: UInt64) -> npt.NDArray[np.bool_]:
    """Whether the sender of a row opened the flow: by SYN, by SYN with ACK, else the higher port did."""
    marks = rows.marks[: len(rows)]
    source = keys[PORTS] >> np.uint64(32) & np.uint64(0xFFFF)
    destination = keys[PORTS] >> np.uint64(48)
    by_port = (source > destination) | (destination == 0)
    opened, accepted = (marks & OPENED) != 0, (marks & ACCEPTED) != 0
    is_client: npt.NDArray[np.bool_] = np.where(opened, True, np.where(accepted, False, by_port))
    return is_client


def _is_inside(high: UInt64, low: UInt64, is_ipv6: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Whether addresses can be a home's own or a group's."""
    # The words are octets in wire order, read as little-endian.
    octet = np.uint64(0xFF)
    first6, second6 = high & octet, high >> np.uint64(8) & octet
    inside6 = (first6 == 0xFF) | (first6 == 0)  # groups, ::
    inside6 |= (first6 & np.uint64(0xFE)) == 0xFC  # RFC 4193
    inside6 |= (first6 == 0xFE) & ((second6 & np.uint64(0xC0)) == 0x80)  # link-local
    first4, second4 = low >> np.uint64(32) & octet, low >> np.uint64(40) & octet
    inside4 = (first4 == 10) | (first4 == 127) | (first4 >= 224) | (first4 == 0)
    inside4 |= (first4 == 192) & (second4 == 168)  # RFC 1918
    inside4 |= (first4 == 172) & ((second4 >> np.uint64(4)) == 1)
    inside4 |= (first4 == 169) & (second4 == 254)  # RFC 3927
    result: npt.NDArray[np.bool_] = np.where(is_ipv6, inside6, inside4)
    return result
