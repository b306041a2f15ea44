"""
What devices sent to the internet, in order: which of them spoke before given moments, and how often at all.

Kept in columns, because every contact of a light asks anew: with lists, a
million packets of a busy home took two seconds for 1,700 contacts, ten times
as long as this.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np

from auditor.flows.keys import Int64, run_starts
from auditor.inventory.payload_times import TimedFlow, moments_of

MAX_CALLS_WEIGHED = 4_000_000
"""Calls in the seconds before what came unasked, over all contacts, less than a second of work: a home of ten
devices makes some 50,000.  What is asked after that is not answered, and counted."""

CallKey = tuple[str, str]
"""device_id of the caller, address outside as text."""


class Caller:
    """All calls of one device to one address: payloads less than ``gap_ns`` apart are one call."""

    __slots__ = ("count", "ends_ns", "key", "longest_ns", "starts_ns", "total_ns")

    def __init__(self, key: CallKey, moments_ns: Int64, gap_ns: int) -> None:
        is_gap = np.diff(moments_ns) >= gap_ns
        self.key = key
        self.starts_ns = moments_ns[np.concatenate(([True], is_gap))]
        self.ends_ns = moments_ns[np.concatenate((is_gap, [True]))]
        lengths = self.ends_ns - self.starts_ns
        self.count = len(lengths)
        self.longest_ns = int(lengths.max())
        self.total_ns = int(lengths.sum())

    def followed(self, moments_ns: Int64, delay_ns: int) -> int:
        """How many calls one of the moments, in order, fell into or followed within ``delay_ns``."""
        first = np.searchsorted(moments_ns, self.starts_ns, side="left")
        behind = np.searchsorted(moments_ns, self.ends_ns + delay_ns, side="right")
        return int(np.count_nonzero(behind > first))


class Calls:
    """The calls of one recording by caller."""

    def __init__(self, flows: Mapping[CallKey, Sequence[TimedFlow]], gap_ns: int) -> None:
        self._flows = flows
        self._keys = sorted(flows)
        self._gap_ns = gap_ns
        self._callers: dict[int, Caller] = {}
        self._left = MAX_CALLS_WEIGHED
        self.overflow = 0
        """Questions that were not answered."""

    def __len__(self) -> int:
        return len(self._keys)

    @cached_property
    def _in_order(self) -> tuple[Int64, Int64]:
        """Moments of all calls in order, and the numbers of their callers."""
        parts = [moments_of(self._flows[key]) for key in self._keys]
        moments = np.concatenate(parts)
        order = np.argsort(moments, kind="stable")
        numbers = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        return moments[order], numbers[order]

    def before(self, moments_ns: Int64, within_ns: int, at_least: int) -> Iterator[tuple[Caller, int]]:
        """Who called within that time before at least so many of the moments, and before how many."""
        if not self._keys:
            return
        called, numbers = self._in_order
        first = np.searchsorted(called, moments_ns - within_ns, side="left")
        lengths = np.searchsorted(called, moments_ns, side="right") - first
        total = int(lengths.sum())
        if self.overflow or total > self._left:
            self.overflow += 1
            return
        self._left -= total
        # One number for each caller and moment; a caller that called twice before a moment counts once.
        begins = np.cumsum(lengths) - lengths
        places = np.arange(total) + np.repeat(first - begins, lengths)
        pairs = np.sort(np.repeat(np.arange(len(lengths)), lengths) * len(self._keys) + numbers[places])
        pairs = pairs[run_starts(pairs)]
        callers, counts = np.unique(pairs % len(self._keys), return_counts=True)
        often = counts >= at_least
        for number, count in zip(callers[often].tolist(), counts[often].tolist(), strict=True):
            yield self._caller(number), count

    def _caller(self, number: int) -> Caller:
        known = self._callers.get(number)
        if known is None:
            key = self._keys[number]
            known = self._callers[number] = Caller(key, moments_of(self._flows[key]), self._gap_ns)
        return known
