"""How often the interpreter looks for cycles of references while a recording is read and judged."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

COLLECTION_OBJECTS = 100_000
"""Objects more than there were, before cycles are looked for: at some hundred octets each 10 MB."""


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
