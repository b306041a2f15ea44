"""A window that rolls over the octets of a capture, and fixed-width reads at any offset in it."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
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
# Room in each window for the record that the one before it cut; a longer rest is joined in a new window.
REST_OCTETS = 1 << 18
# Windows filled ahead of the one in work.  A thread that decompresses is slower than what follows and must
# not wait until that asks for more: it would lose five milliseconds a window to the interpreter's turns.
WINDOWS_AHEAD = 1
WINDOWS_AHEAD_COMPRESSED = 2


class _Window:
    """Octets in memory, and the views of them that were made so far."""

    __slots__ = ("octets", "room", "view", "views")

    def __init__(self, room: int) -> None:
        self.room = room
        self.octets = bytearray(room + SLACK)
        self.view = memoryview(self.octets)
        self.views: dict[int, npt.NDArray[Any]] = {}


class RollingBuffer:
    """
    ``buffer[start:end]`` is what is still to be parsed; ``base`` is the file offset of ``buffer[0]``.

    File offsets count decompressed octets: they are where a person finds the
    place with any tool that shows octets.  With ``ahead`` a helper thread fills
    a second window while the first is worked on; reading, decompressing and
    hashing let go of the interpreter, so that on two cores they cost no time.
    A source that may never give its next octets (a pipe) is not read ahead: the
    program could not end while the thread waits.  Windows end at the same places
    either way: each adds ``step`` octets to the rest of the one before.
    """

    def __init__(self, source: OctetSource, step: int, *, ahead: bool = False) -> None:
        self.source = source
        self.base = 0
        self.start = 0
        self.end = 0
        self.at_end = False
        """The file holds nothing past ``end``."""
        self._step = step
        self._ahead = ahead
        self._pool: ThreadPoolExecutor | None = None
        self._filling: deque[tuple[_Window, Future[int]]] = deque()
        self._window = _Window(REST_OCTETS + step)
        self._spare: list[_Window] = []

    @property
    def buffer(self) -> bytearray:
        """The octets of the window; another object after ``need``."""
        return self._window.octets

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
        if self.end - self.start >= octets:
            return True
        if self.at_end:
            return False
        is_first = not self.end
        while self._filling and self.end - self.start < octets and not self.at_end:
            self._take_ahead()
        if self.end - self.start < octets and not self.at_end:
            self._fill(octets)
        if self._ahead and not is_first and not self.at_end:  # a file only looked at starts no thread
            self._begin_ahead()
        return self.end - self.start >= octets

    def _fill(self, octets: int) -> None:
        """Move what is held to the front and read on behind it."""
        self.source.settle()
        held, window = self.end - self.start, self._window
        # What follows a long record is read with it: only there shows whether its length was true.
        wanted = self._step if octets <= held + self._step else self._step + octets - held
        if held + wanted > window.room:
            self._window = _Window(held + wanted)
            self._window.view[:held] = window.view[self.start : self.end]
        elif self.start:
            window.octets[:held] = window.octets[self.start : self.end]
        self.base += self.start
        read = self.source.fill(self._window.view[held : held + wanted])
        self.start, self.end = 0, held + read
        self.at_end = read < wanted

    def _begin_ahead(self) -> None:
        if self._pool is None:
            self._pool = ThreadPoolExecutor(1, "read-ahead")
        most = WINDOWS_AHEAD_COMPRESSED if self.source.compression else WINDOWS_AHEAD
        while len(self._filling) < most:
            window = self._spare.pop() if self._spare else _Window(REST_OCTETS + self._step)
            room = window.view[REST_OCTETS : REST_OCTETS + self._step]
            self._filling.append((window, self._pool.submit(self.source.fill, room)))

    def _take_ahead(self) -> None:
        """Go on to the next window that was read ahead."""
        new, filling = self._filling.popleft()
        read = filling.result()
        self.at_end = read < self._step
        held, position = self.end - self.start, self.position
        old = self._window
        rest = old.view[self.start : self.end]
        if held <= REST_OCTETS:
            new.view[REST_OCTETS - held : REST_OCTETS] = rest
            self._window = new
            self._spare.append(old)
            self.start, self.end = REST_OCTETS - held, REST_OCTETS + read
        else:
            self._window = _Window(held + self._step)
            self._window.view[:held] = rest
            self._window.view[held : held + read] = new.view[REST_OCTETS : REST_OCTETS + read]
            self._spare.append(new)
            self.start, self.end = 0, held + read
        self.base = position - self.start

    def stop_ahead(self) -> None:
        """Wait for the helper thread and end it; what it has read counts as read and is not delivered."""
        self._ahead = False
        self._filling.clear()
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def gather(self, offsets: Int64Column, layout: np.dtype[Any]) -> npt.NDArray[Any]:
        """One structure of ``layout`` at each offset; every offset + its width must lie inside the buffer."""
        return gather(self.buffer, offsets, layout, self._window.views)


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
