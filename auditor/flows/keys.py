"""
Dense numbers for keys that come as columns of words.

A hash table with open addressing (linear probing) whose steps are taken for a
whole column at once; keys are compared exactly, so equal hashes never join two
keys.  The multipliers of the hash are drawn anew for each table: a recording
cannot be crafted so that its keys collide and probing takes for ever.
"""

from __future__ import annotations

import secrets
from typing import Any

import numpy as np
import numpy.typing as npt

Int64 = npt.NDArray[np.int64]
UInt64 = npt.NDArray[np.uint64]

MIN_SLOTS = 1 << 12
MAX_LOAD = 4  # one key for at least so many slots: four in five keys are found in the first


class KeyTable:
    """Numbers keys from 0 in the order of their first sight within a few places; never forgets one."""

    __slots__ = ("_hashes", "_keys", "_multipliers", "_slots", "_words", "count")

    def __init__(self, words: int, expected: int = 0) -> None:
        self._words = words
        self._multipliers = [np.uint64(secrets.randbits(64) | 1) for _ in range(words)]
        self.count = 0
        """Keys known."""
        slots = MIN_SLOTS
        while slots < MAX_LOAD * expected:
            slots *= 2
        self._slots = np.full(slots, -1, np.int32)
        self._keys = np.empty((words, slots // MAX_LOAD), np.uint64)
        self._hashes = np.empty(slots // MAX_LOAD, np.uint64)

    @property
    def keys(self) -> UInt64:
        """All keys by number: one row a word, one column a key."""
        return self._keys[:, : self.count]

    @property
    def room(self) -> int:
        """Keys that fit before the table grows; columns beside the table are made of this length."""
        return len(self._hashes)

    def locate(self, keys: UInt64) -> Int64:
        """Number of each key (words × n); unknown ones are added."""
        return self._probe(keys, insert=True)

    def find(self, keys: UInt64) -> Int64:
        """Number of each key (words × n), -1 for unknown ones."""
        return self._probe(keys, insert=False)

    def _hash(self, keys: UInt64) -> UInt64:
        """
        Multiply-shift hashing for vectors with secret odd multipliers; only the high bits are good.

        Two different keys share a slot with a chance of at most 2 / slots,
        whoever chose them (Dietzfelbinger and others 1997, from memory).
        """
        hashes: UInt64 = keys[0] * self._multipliers[0]
        product = np.empty_like(hashes)
        for word, multiplier in zip(keys[1:], self._multipliers[1:], strict=True):
            np.multiply(word, multiplier, out=product)
            hashes += product
        return hashes

    def _probe(self, keys: UInt64, *, insert: bool) -> Int64:
        all_hashes = hashes = self._hash(keys)
        all_keys = keys
        numbers = np.empty(keys.shape[1], np.int64)
        pending: Int64 | None = None  # None: all, which saves the first round its gathers
        slots = self._first_slots(hashes)
        while True:
            held = self._slots[slots]
            empty = np.flatnonzero(held < 0)
            if empty.size and insert:
                if self.count + empty.size > self.room:
                    self._grow(self.count + empty.size)
                    return self._probe(all_keys, insert=True)
                self._claim(slots[empty], hashes[empty], keys[:, empty])
                held = self._slots[slots]
            is_same = self._hashes[held] == hashes
            for word in range(self._words):
                is_same &= self._keys[word][held] == keys[word]
            if not insert:  # an empty slot ends the search; its -1 has read the last key above
                is_same[empty] = True
                held[empty] = -1
            if pending is None:
                numbers[:] = held
                pending = np.flatnonzero(~is_same)
            else:
                numbers[pending[is_same]] = held[is_same]
                pending = pending[~is_same]
            if not pending.size:
                return numbers
            slots = (slots[~is_same] + 1) & (len(self._slots) - 1)
            hashes = all_hashes[pending]
            keys = all_keys[:, pending]

    def _first_slots(self, hashes: UInt64) -> Int64:
        slots: Int64 = (hashes >> np.uint64(65 - len(self._slots).bit_length())).astype(np.int64)
        return slots

    def _claim(self, slots: Int64, hashes: UInt64, keys: UInt64) -> None:
        """Give each of these empty slots to one of the keys that want it; the others go on probing."""
        ticket = -2 - np.arange(slots.size, dtype=np.int32)
        self._slots[slots] = ticket
        winners = np.flatnonzero(self._slots[slots] == ticket)
        start, stop = self.count, self.count + winners.size
        self._slots[slots[winners]] = np.arange(start, stop, dtype=np.int32)
        self._hashes[start:stop] = hashes[winners]
        self._keys[:, start:stop] = keys[:, winners]
        self.count = stop

    def _grow(self, needed: int) -> None:
        slots = len(self._slots)
        while slots < MAX_LOAD * needed:
            slots *= 2
        room = slots // MAX_LOAD
        keys = np.empty((self._words, room), np.uint64)
        keys[:, : self.count] = self.keys
        hashes = np.empty(room, np.uint64)
        hashes[: self.count] = self._hashes[: self.count]
        self._keys, self._hashes = keys, hashes
        self._slots = np.full(slots, -1, np.int32)
        pending = np.arange(self.count)
        places = self._first_slots(hashes[: self.count])
        while pending.size:  # the keys are known to differ: only a place is sought
            is_free = self._slots[places] < 0
            self._slots[places[is_free]] = pending[is_free]
            is_out = self._slots[places] != pending
            pending = pending[is_out]
            places = (places[is_out] + 1) & (slots - 1)


def folded(words: UInt64) -> UInt64:
    """
    The words with their high halves folded into the low ones, which loses nothing.

    For sums of products that stand for what was summed without being compared:
    the high octets of a word, where the last octets of an address are, move only
    the high bits of its product.  Unfolded, the ends 192.0.2.14 and 198.51.100.14
    gave the print of 192.0.2.46 and 198.51.100.46 for every fourth set of multipliers.
    """
    return words ^ (words >> np.uint64(32))


def before(values: Int64) -> Int64:
    """Each value's predecessor; the first stands for itself."""
    result = np.empty_like(values)
    result[1:] = values[:-1]
    result[:1] = values[:1]
    return result


def run_starts(values: npt.NDArray[Any]) -> Int64:
    """Where each run of equal values begins."""
    is_first = np.ones(len(values), bool)
    np.not_equal(values[1:], values[:-1], out=is_first[1:])
    return np.flatnonzero(is_first)


def group_order(numbers: Int64, table_size: int) -> tuple[Int64, Int64]:
    """
    Bring equal numbers together, each group in the order it came.

    Returns the order (indices) and where each group begins in it.  Up to
    65,536 numbers are replaced by 16-bit representatives first, because numpy
    sorts those by radix, several times faster.  ``numbers`` must be below
    ``table_size``.
    """
    count = len(numbers)
    if count <= 1 << 16:
        scratch = np.empty(table_size, np.int32)
        scratch[numbers] = np.arange(count, dtype=np.int32)
        labels: npt.NDArray[np.integer] = scratch[numbers].astype(np.uint16)
    else:
        labels = numbers
    order = np.argsort(labels, kind="stable")
    return order, run_starts(labels[order])
