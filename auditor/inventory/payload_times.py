"""
When short payloads crossed the border of the home, for the few questions that only timing answers.

An encrypted order cannot be read.  That it came can be told where data to the
light follows what the user did, again and again (scenario S21).  So the
moments of short payloads between a home and the outside are kept here, a batch
at a time and in columns; ``order_timing`` relates them.

An order and the request behind it are short: full-sized segments belong to
transfers and are left out, and so is all that stays between private addresses.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from auditor.addresses import Address, LinkAddress
from auditor.flows.flow import Endpoint
from auditor.flows.keys import Int64, KeyTable, UInt64, folded, run_starts
from auditor.packets.batch import (
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    PacketBatch,
    address_from_words,
    link_from_word,
)
from auditor.units import NS_PER_MILLISECOND

MAX_SHORT_OCTETS = 1250
"""Of a frame: below the full segments of any path (IPv6 carries 1,280 at least, RFC 8200 section 5)."""

BUCKET_NS = 250 * NS_PER_MILLISECOND
"""Of one flow one moment is kept in each: packets of one exchange."""

MAX_MOMENTS = 300_000
"""Moments kept, some 10 MB.  A home of ten devices makes fewer in a day of polling its clouds; further ones
are counted, and nothing is concluded from the time after the last one kept."""

MAX_TIMED_FLOWS = 50_000
"""One-way flows whose ends are kept, some 6 MB: those of a light are among the first."""

_FLOWS_AT_ONCE = 4096  # columns become Python numbers for so many flows at a time, some 2 MB

_END_COLUMNS = (
    "source_link", "source_high", "source_low", "source_port",
    "destination_link", "destination_high", "destination_low", "destination_port",
    "protocol",
)  # fmt: skip


class TimedFlow(NamedTuple):
    """Moments of one direction of a flow, in the order of their recording."""

    source: Endpoint
    destination: Endpoint
    protocol: int
    moments_ns: Int64
    captures: Int64
    packet_numbers: Int64
    """Of the packets at these moments."""


class PayloadTimes:
    """Gathered batch by batch; what runs for every packet is two comparisons."""

    def __init__(self) -> None:
        # Secret multipliers, as in ``flows.keys``: nobody can craft flows whose prints are equal.
        self._multipliers = [np.uint64(secrets.randbits(64) | 1) for _ in range(6)]
        self._kept: list[tuple[UInt64, Int64, Int64, Int64]] = []
        self._ends = KeyTable(1)  # numbers of prints
        self._end_words = np.zeros((len(_END_COLUMNS), 0), np.uint64)
        self._count = 0
        self.overflow = 0
        """Moments, or flows with theirs, that were not kept."""
        self.complete_until_ns: int | None = None
        """Where the table was full; None: all was kept."""

    def add(self, batch: PacketBatch) -> None:
        """Look at one batch."""
        rows = np.flatnonzero((batch.original_length < MAX_SHORT_OCTETS) & (batch.payload_length > 0))
        if rows.size:
            rows = rows[_crosses_border(batch, rows)]
        if not rows.size:
            return
        if self.complete_until_ns is not None:
            self.overflow += len(rows)
            return
        prints = self._prints(batch, rows)
        moments = batch.timestamp_ns[rows]
        kept = self._first_of_bucket(prints, moments)
        rows, prints, moments = rows[kept], prints[kept], moments[kept]
        if self._count + len(rows) > MAX_MOMENTS:
            self.overflow += len(rows)
            self.complete_until_ns = int(moments.min())
            return
        self._count += len(rows)
        self._kept.append((prints, moments, batch.capture_index[rows], batch.packet_number[rows]))
        self._note_ends(batch, rows, prints)

    def _prints(self, batch: PacketBatch, rows: Int64) -> UInt64:
        """Hash of addresses, ports and protocol; equal ones are one flow."""
        ports = batch.source_port[rows].astype(np.uint64)
        ports <<= np.uint64(16)
        ports |= batch.destination_port[rows].astype(np.uint64)
        ports <<= np.uint64(8)
        ports |= batch.protocol[rows].astype(np.uint64)
        words = (batch.source_low, batch.source_high, batch.destination_low, batch.destination_high)
        prints: UInt64 = ports * self._multipliers[4]
        for word, multiplier in zip(words, self._multipliers[:4], strict=True):
            prints += folded(word[rows]) * multiplier
        return prints

    def _first_of_bucket(self, prints: UInt64, moments: Int64) -> Int64:
        """The first packet of each flow and bucket of a batch, in order; exact, so that runs agree."""
        timed = prints + (moments // BUCKET_NS).view(np.uint64) * self._multipliers[5]
        first = _first_of_each(timed)
        first.sort()
        return first

    def _note_ends(self, batch: PacketBatch, rows: Int64, prints: UInt64) -> None:
        """Keep the ends of flows that are new."""
        new = np.flatnonzero(self._ends.find(prints[np.newaxis]) < 0)
        new = new[_first_of_each(prints[new])]
        new.sort()  # the first of the recording are kept, whatever their prints
        values, rows = prints[new], rows[new]
        spare = MAX_TIMED_FLOWS - self._ends.count
        self.overflow += max(0, len(values) - spare)
        values, rows = values[:spare], rows[:spare]
        if not values.size:
            return
        numbers = self._ends.locate(values[np.newaxis])
        if self._ends.room > self._end_words.shape[1]:
            words = np.zeros((len(_END_COLUMNS), self._ends.room), np.uint64)
            words[:, : self._end_words.shape[1]] = self._end_words
            self._end_words = words
        for place, name in enumerate(_END_COLUMNS):
            self._end_words[place, numbers] = getattr(batch, name)[rows]

    def flows(self) -> Iterable[TimedFlow]:
        """All flows of TCP and UDP with their moments."""
        if not self._kept:
            return
        prints, moments, captures, packets = (
            np.concatenate(parts) for parts in zip(*self._kept, strict=True)
        )
        order = np.argsort(prints, kind="stable")
        prints, moments = prints[order], moments[order]
        # The first of each bucket alone, across batches too.
        buckets = moments // BUCKET_NS
        is_first = np.ones(len(order), np.bool_)
        is_first[1:] = (prints[1:] != prints[:-1]) | (buckets[1:] != buckets[:-1])
        order, prints, moments = order[is_first], prints[is_first], moments[is_first]
        captures, packets = captures[order], packets[order]
        begins = run_starts(prints)
        stops = np.append(begins[1:], len(order))
        numbers = self._ends.find(prints[begins][np.newaxis])
        is_known = numbers >= 0
        begins, stops, numbers = begins[is_known], stops[is_known], numbers[is_known]
        for at in range(0, len(numbers), _FLOWS_AT_ONCE):
            some = slice(at, at + _FLOWS_AT_ONCE)
            ends = zip(*self._end_words[:, numbers[some]].tolist(), strict=True)
            for end, start, stop in zip(ends, begins[some].tolist(), stops[some].tolist(), strict=True):
                if end[-1] in {PROTOCOL_TCP, PROTOCOL_UDP}:
                    yield TimedFlow(
                        _endpoint(*end[0:4]),
                        _endpoint(*end[4:8]),
                        end[-1],
                        moments[start:stop],
                        captures[start:stop],
                        packets[start:stop],
                    )


def _first_of_each(values: UInt64) -> Int64:
    """Where each value stands first; ``np.unique`` sorts stably for that and takes half as long again."""
    if not values.size:
        return np.zeros(0, np.int64)
    order = np.argsort(values)
    return np.minimum.reduceat(order, run_starts(values[order]))


def moments_of(flows: Iterable[TimedFlow]) -> Int64:
    """Moments of all these flows, in order."""
    parts = [flow.moments_ns for flow in flows]
    return np.sort(np.concatenate(parts)) if parts else np.zeros(0, np.int64)


def _endpoint(link: int, high: int, low: int, port: int) -> Endpoint:
    return Endpoint(*_host(link, high, low), port)


@lru_cache(4096)  # hosts of a home and whom they call; each stands in many flows
def _host(link: int, high: int, low: int) -> tuple[LinkAddress, Address]:
    return link_from_word(link), address_from_words(high, low)


def _inside_prefixes() -> npt.NDArray[np.bool_]:
    """IPv4 by its first two octets, the first one low: private, link-local (RFC 6890), groups, zeros."""
    number = np.arange(1 << 16)
    first, second = number & 0xFF, number >> 8
    inside = (first == 0) | (first == 10) | (first == 127) | (first >= 224)
    inside |= (first == 192) & (second == 168)
    inside |= (first == 172) & (second >> 4 == 1)
    inside |= (first == 169) & (second == 254)
    result: npt.NDArray[np.bool_] = inside
    return result


_IS_INSIDE = _inside_prefixes()


def _crosses_border(batch: PacketBatch, rows: Int64) -> npt.NDArray[np.bool_]:
    """
    Whether one end at least may be outside.

    IPv6 says little by its addresses, which are the same on both sides of a router; who is who is known at
    the end.
    """
    source, destination = batch.source_low[rows], batch.destination_low[rows]
    source_high = batch.source_high[rows]
    is_outside = ~_IS_INSIDE[(source >> np.uint64(32)) & np.uint64(0xFFFF)]
    is_outside |= ~_IS_INSIDE[(destination >> np.uint64(32)) & np.uint64(0xFFFF)]
    version6 = np.flatnonzero(source_high)
    if version6.size:
        is_outside[version6] = _may_cross6(source_high[version6], batch.destination_high[rows[version6]])
    result: npt.NDArray[np.bool_] = is_outside
    return result


def _may_cross6(source: UInt64, destination: UInt64) -> npt.NDArray[np.bool_]:
    """False where both ends are unique local or link-local, or one is a group (RFC 4193, RFC 4291)."""

    def is_local(high: UInt64) -> npt.NDArray[np.bool_]:
        found: npt.NDArray[np.bool_] = (high & np.uint64(0xFE)) == 0xFC
        found |= (high & np.uint64(0xC0FF)) == 0x80FE
        return found

    is_group = (destination & np.uint64(0xFF)) == 0xFF
    result: npt.NDArray[np.bool_] = ~(is_local(source) & is_local(destination)) & ~is_group
    return result
