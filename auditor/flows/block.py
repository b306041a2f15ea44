"""
Octets of a stream that wait behind a gap, and which packets brought them.

Standard: RFC 2018 section 3, whose word a block is: contiguous octets that were
received while some before them are missing.
"""

from __future__ import annotations

from bisect import bisect_right
from operator import attrgetter

import numpy as np

from auditor.flows.flow import PacketReference

MAX_WAITING_OCTETS = 1 << 19
"""Octets of one stream that wait behind a gap, held besides those in order: half as many."""

MAX_WAITING_SEGMENTS = 1024
"""Parts of segments that wait behind a gap: half as many as may stand in order."""

Mark = tuple[PacketReference, int]
"""A packet and its time, nanoseconds since the epoch."""

_position = attrgetter("position")


def count_differences(held: bytearray, offset: int, octets: bytes, begin: int = 0) -> int:
    """How many octets from ``begin`` on differ from those held from ``offset`` on, as far as both go."""
    size = min(len(held) - offset, len(octets) - begin)
    part = octets if size == len(octets) else octets[begin : begin + size]
    if size <= 0 or held.startswith(part, offset):
        return 0
    # Whole segments at once: crafted overlaps must not cost a step for each octet.
    differs = np.frombuffer(held[offset : offset + size], np.uint8) != np.frombuffer(part, np.uint8)
    return int(np.count_nonzero(differs))


class Block:
    """Octets without a hole between them."""

    __slots__ = ("marks", "octets", "position", "starts")

    def __init__(self, position: int, octets: bytearray, starts: list[int], marks: list[Mark]) -> None:
        self.position = position
        """Of the first octet, counted from the first octet recorded; no wrap-around."""
        self.octets = octets
        self.starts = starts
        """Positions where the octets of a packet begin, ascending."""
        self.marks = marks
        """The packet of each of ``starts``."""

    @property
    def end(self) -> int:
        """Position behind the last octet."""
        return self.position + len(self.octets)

    def append(self, octets: bytes, mark: Mark) -> None:
        """Put octets of one packet behind the last."""
        self.starts.append(self.end)
        self.marks.append(mark)
        self.octets += octets

    def absorb(self, other: Block) -> None:
        """Put a block behind the last octet that begins right there."""
        self.starts += other.starts
        self.marks += other.marks
        self.octets += other.octets

    def let_go(self, position: int) -> None:
        """Drop what lies before a position inside."""
        index = bisect_right(self.starts, position) - 1
        del self.octets[: position - self.position]
        del self.starts[:index]
        del self.marks[:index]
        self.starts[0] = self.position = position


class Waiting:
    """The blocks behind the gaps of one stream: ascending, and none overlaps another."""

    __slots__ = ("blocks", "dropped_octets", "octets", "segments")

    def __init__(self) -> None:
        self.blocks: list[Block] = []
        self.octets = 0
        self.segments = 0
        self.dropped_octets = 0
        """Of segments for which there was no room."""

    def insert(self, position: int, octets: bytes, mark: Mark) -> int:
        """
        Put what is new of a segment between the blocks; gives how many octets contradict them.

        A block that the segment reaches becomes one with what is before it, so
        that the next segment there is compared once, not with every one before.
        """
        blocks, start, end, differences = self.blocks, position, position + len(octets), 0
        index = bisect_right(blocks, position, key=_position)
        if index and blocks[index - 1].end >= position:
            index -= 1
        while True:
            if index < len(blocks) and blocks[index].position <= position:
                block = blocks[index]
                differences += count_differences(
                    block.octets, position - block.position, octets, position - start
                )
                position = max(position, block.end)
                if index and blocks[index - 1].end == block.position:
                    blocks[index - 1].absorb(blocks.pop(index))
                else:
                    index += 1
            if position >= end:
                return differences
            stop = min(end, blocks[index].position) if index < len(blocks) else end
            if self.octets + stop - position > MAX_WAITING_OCTETS or self.segments >= MAX_WAITING_SEGMENTS:
                self.dropped_octets += end - position
                return differences
            self.octets += stop - position
            self.segments += 1
            part = octets[position - start : stop - start]
            if index and blocks[index - 1].end == position:
                blocks[index - 1].append(part, mark)
            else:
                blocks.insert(index, Block(position, bytearray(part), [position], [mark]))
                index += 1
            position = stop

    def put_first(self, block: Block) -> None:
        """Put a block before all others."""
        self.blocks.insert(0, block)
        self.octets += len(block.octets)
        self.segments += len(block.marks)

    def take_at(self, position: int) -> Block | None:
        """Take out the block that begins at a position; what lies before the position is let go."""
        while self.blocks and self.blocks[0].position <= position:
            block = self.blocks.pop(0)
            self.octets -= len(block.octets)
            self.segments -= len(block.marks)
            if block.position < position < block.end:
                block.let_go(position)
            if block.position == position:
                return block
        return None
