"""A window that rolls over the octets of a capture, and fixed-width reads at any offset in it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.capture.compression import OctetSource
from auditor.capture.record import SLACK, Int64Column

# No recording program keeps more of a frame than 262,144 octets (common practice: the greatest
# snap length it offers); a claim beyond four times that is a damaged length.
MAX_RECORD_OCTETS = 1 << 20
# A block that is no packet may be longer (names, keys, journal entries); one beyond this is damaged.
MAX_BLOCK_OCTETS = 1 << 24


class RollingBuffer:
    """
    ``buffer[start:end]`` is what is still to be parsed; ``base`` is the file offset of ``buffer[0]``.

    File offsets count decompressed octets: they are where a person finds the
    place with any tool that shows octets.
    """

    def __init__(self, source: OctetSource, capacity: int) -> None:
        self.source = source
        self.base = 0
        self.start = 0
        self.end = 0
        self.at_end = False
        """The file holds nothing past ``end``."""
        self._allocate(capacity)

    def _allocate(self, capacity: int) -> None:
        self.capacity = capacity
        self.buffer = bytearray(capacity + SLACK)
        self._view = memoryview(self.buffer)
        self._windows: dict[int, npt.NDArray[Any]] = {}

    @property
    def position(self) -> int:
        """File offset of ``start``."""
        return self.base + self.start

    def need(self, octets: int) -> bool:
        """
        Make at least ``octets`` stand at ``start``, moving the window on as far as it goes.

        Returns False where the file ends before.  Whatever was handed out of
        the buffer is gone afterwards.
        """
        held = self.end - self.start
        if held >= octets:
            return True
        if self.at_end:
            return False
        self.source.settle()
        old = self._view
        if octets > self.capacity:
            carried = bytes(old[self.start : self.end])
            self._allocate(octets + self.capacity)
            self._view[:held] = carried
        elif self.start:
            self.buffer[:held] = self.buffer[self.start : self.end]
        self.base += self.start
        self.start, self.end = 0, held
        read = self.source.fill(self._view[held : self.capacity])
        self.end = held + read
        self.at_end = self.end < self.capacity
        return self.end >= octets

    def gather(self, offsets: Int64Column, layout: np.dtype[Any]) -> npt.NDArray[Any]:
        """One structure of ``layout`` at each offset; every offset + its width must lie inside the buffer."""
        return gather(self.buffer, offsets, layout, self._windows)


def gather(
    buffer: bytearray,
    offsets: Int64Column,
    layout: np.dtype[Any],
    windows: dict[int, npt.NDArray[Any]] | None = None,
) -> npt.NDArray[Any]:
    """
    Read a structure at every offset, aligned or not.

    A view of stride 1 whose items are ``layout.itemsize`` octets of nothing in
    particular turns the read into one small copy a row.  ``windows`` keeps such
    views, one a width, for buffers that are read often.
    """
    width = layout.itemsize
    window = None if windows is None else windows.get(width)
    if window is None:
        shape = (max(len(buffer) - width + 1, 0),)
        window = np.ndarray(shape, np.dtype((np.void, width)), buffer, strides=(1,))
        if windows is not None:
            windows[width] = window
    return window[offsets].view(layout)
