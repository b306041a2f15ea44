"""Fixed-width reads of header structures at any offset of a chunk's buffer."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import Int64Column

U64 = np.uint64
NO_OFFSET = -1

# IPv4-mapped form (RFC 4291 2.5.5.2) as the low word of an address column: octets 8-11 are 00 00 ff ff.
MAPPED_LOW = U64(0xFFFF_0000)
MAPPED_SHIFT = U64(32)


class HeaderView:
    """
    Reads structures out of one buffer.

    The buffer ends in ``SLACK`` octets that hold nothing true: a read may reach
    into them, and what it finds there must be masked by the caller, who knows
    where the frame ends.
    """

    def __init__(self, buffer: bytearray) -> None:
        self._buffer = buffer
        self._windows: dict[int, npt.NDArray[Any]] = {}

    def take(self, offsets: Int64Column, layout: np.dtype[Any]) -> npt.NDArray[Any]:
        """One structure at each offset (a view of stride 1 turns each read into one small copy)."""
        width = layout.itemsize
        window = self._windows.get(width)
        if window is None:
            shape = (len(self._buffer) - width + 1,)
            window = np.ndarray(shape, np.dtype((np.void, width)), self._buffer, strides=(1,))
            self._windows[width] = window
        return window[offsets].view(layout)


def link_words(low: npt.NDArray[Any], high: npt.NDArray[Any]) -> npt.NDArray[np.uint64]:
    """Link address words from their four low and two high octets, both little-endian."""
    words = high.astype(U64)
    words <<= MAPPED_SHIFT
    words |= low
    return words
