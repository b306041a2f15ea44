"""Memory that is no longer used: how seldom cycles are sought, and blocks given back to the system."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

COLLECTION_OBJECTS = 100_000
"""Objects more than there were, before cycles are looked for: at some hundred octets each 10 MB."""

MAPPED_OCTETS = 1 << 19
"""Blocks from here on come from the system and go back to it: tables that grow, columns of a window."""

TRIMMED_OCTETS = 1 << 21
"""Free octets at the end of a heap from where they go back: far more than a decompressor takes for a piece.
With less they went and came for each piece, which took more time than decompressing (measured)."""

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # mallopt(3) of the GNU C library


def give_back_blocks() -> None:
    """
    Let large blocks go back to the system as soon as they are freed.

    The GNU C library raises its limit with each large block that is freed, up
    to 32 MiB; then columns lie among small objects, and of a million packets in
    80,000 flows some 60 MiB stay taken that nobody uses (measured).  It holds
    for the whole process and cannot be taken back, so that only a program of
    its own may ask for it, not a library.  Elsewhere nothing happens.
    """
    import ctypes

    try:
        set_option = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # another C library; Windows takes no None
        return
    set_option(_MMAP_THRESHOLD, MAPPED_OCTETS)
    set_option(_TRIM_THRESHOLD, TRIMMED_OCTETS)


@contextmanager
def rare_collections() -> Iterator[None]:
    """
    Let the collector of reference cycles run seldom.

    What a run makes lives until its end and holds no cycles but those of
    exceptions that were caught; looking through all of it each 700 objects took
    a quarter of the time.  The interpreter's own setting comes back afterwards.
    """
    before = gc.get_threshold()
    if not before[0]:  # the caller has put it out
        yield
        return
    gc.set_threshold(max(before[0], COLLECTION_OBJECTS), *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
