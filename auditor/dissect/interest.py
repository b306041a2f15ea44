"""
Which conversations want to see their packets: small tables that whole columns can ask.

A conversation's number picks a slot for each of its directions.  Several may
share one: a count says that somebody's packets are wanted, so that a packet
may be looked at in vain, and none is missed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import UInt64Column

Mask = npt.NDArray[np.bool_]

SLOT_BITS = 18
"""Slots of the tables of conversations being read.

20,000 of them fill less than a sixth, so that few packets of others are looked at in vain."""
SLOTS = 1 << SLOT_BITS
SATURATED = 255  # a slot's count that is never lowered again: it only costs looks
GOLDEN = 0x9E3779B97F4A7C15  # 2**64 divided by the golden ratio


class Interest:
    """Counts of conversations, by slot and direction, that want to see their packets."""

    __slots__ = ("_counts", "column")

    def __init__(self) -> None:
        self._counts = bytearray(SLOTS)
        self.column = np.frombuffer(self._counts, np.uint8)

    def add(self, slot: int) -> None:
        """Count one more."""
        if self._counts[slot] < SATURATED:
            self._counts[slot] += 1

    def remove(self, slot: int) -> None:
        """Count one less."""
        if 0 < self._counts[slot] < SATURATED:
            self._counts[slot] -= 1


class Finished(Interest):
    """An ``Interest`` that mostly also knows exactly whose count a slot holds."""

    __slots__ = ("_words", "numbers")

    def __init__(self) -> None:
        super().__init__()
        # Single words are set through this view: an element of a column costs five times as much.
        self._words = memoryview(bytearray(8 * SLOTS)).cast("Q")
        self.numbers = np.frombuffer(self._words, np.uint64)
        """The conversation of each slot that was added last; meaningless where the count is 0."""

    def add_conversation(self, number: int, forward: bool) -> None:
        """Count one direction."""
        slot = slot_of(number, forward)
        self.add(slot)
        self._words[slot] = number

    def remove_conversation(self, number: int, forward: bool) -> None:
        """Take one direction back."""
        slot = slot_of(number, forward)
        self.remove(slot)
        if self._words[slot] == number:
            self._words[slot] = 0

    def leave(
        self,
        places: npt.NDArray[np.intp],
        slots: npt.NDArray[np.intp],
        numbers: UInt64Column,
        forward: Mask,
        is_finished: Callable[[int, bool], bool],
    ) -> npt.NDArray[np.intp]:
        """Those of ``places`` whose direction is not finished; asked one by one where two share a slot."""
        shared = self.column[slots[places]] > 0
        if not shared.any():
            return places
        gone = shared & (self.numbers[slots[places]] == numbers[places])
        doubtful = np.flatnonzero(shared & ~gone)
        if doubtful.size:
            at = places[doubtful]
            verdicts = zip(numbers[at].tolist(), forward[at].tolist(), strict=True)
            gone[doubtful] = [is_finished(number, way) for number, way in verdicts]
        left: npt.NDArray[np.intp] = places[~gone]
        return left


def slot_of(conversation: int, forward: bool) -> int:
    """The slot of one direction of a conversation; the same as ``Selector`` computes on columns."""
    return ((conversation >> 24) & (SLOTS // 2 - 1)) << 1 | forward


def direction_number(conversation: int, forward: bool) -> int:
    """A number for one direction."""
    return conversation ^ GOLDEN if forward else conversation


def slots_of(numbers: UInt64Column, forward: Mask) -> npt.NDArray[np.intp]:
    """``slot_of`` for columns."""
    slots = (numbers >> np.uint64(24)).astype(np.int64) & (SLOTS // 2 - 1)
    slots <<= 1
    slots |= forward
    return slots
