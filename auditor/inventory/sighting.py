"""What the collectors keep of things seen many times: first, last, how often, a few packets, the rhythm."""

from __future__ import annotations

import itertools
from array import array
from collections.abc import Callable, Hashable, Iterable, Sequence
from statistics import median
from typing import Generic, TypeVar

from auditor.flows.flow import PacketReference, Period
from auditor.flows.rhythm import BURST_GAP_NS
from auditor.inventory.facts import MAX_EVIDENCE
from auditor.units import NS_PER_SECOND

# Moments kept for a rhythm; with more the median no longer moves, and full tables stay small.
MAX_STARTS = 256
MIN_STARTS = 4  # three intervals: fewer have no median worth printing
MAX_TABLE_ROWS = 65_536  # rows a table of facts may hold: sixteen times a busy home, some tens of megabytes

Key = TypeVar("Key", bound=Hashable)
Row = TypeVar("Row")


class Sighting:
    """A thing seen once or more often."""

    __slots__ = ("count", "first_ns", "last_ns", "packets", "starts")

    def __init__(self) -> None:
        self.count = 0
        self.first_ns = 0
        self.last_ns = 0
        self.packets: list[PacketReference] = []
        self.starts = array("q")

    def add(self, timestamp_ns: int, packet: PacketReference, count: int = 1) -> None:
        """Note one more sighting; captures may come in any order of time."""
        seen = self.count
        self.count = seen + count
        if not seen:
            self.first_ns = self.last_ns = timestamp_ns
        elif timestamp_ns >= self.last_ns:
            self.last_ns = timestamp_ns
        elif timestamp_ns < self.first_ns:
            self.first_ns = timestamp_ns
        # Both lists grow by at most one a call, so that past the larger bound nothing is left to do.
        if seen < MAX_STARTS:
            if len(self.packets) < MAX_EVIDENCE:
                self.packets.append(packet)
            self.starts.append(timestamp_ns)

    def absorb(self, other: Sighting) -> None:
        """Take over what another sighting of the same thing holds."""
        if not other.count:
            return
        if not self.count:
            self.first_ns, self.last_ns = other.first_ns, other.last_ns
        self.first_ns = min(self.first_ns, other.first_ns)
        self.last_ns = max(self.last_ns, other.last_ns)
        self.count += other.count
        self.packets = sorted({*self.packets, *other.packets})[:MAX_EVIDENCE]
        self.starts = array("q", sorted(self.starts + other.starts)[:MAX_STARTS])

    @property
    def evidence(self) -> tuple[PacketReference, ...]:
        """The packets kept, in order."""
        return tuple(sorted(set(self.packets)))

    @property
    def period(self) -> Period | None:
        """The rhythm of the sightings; None below four."""
        return period_of(self.starts, self.count)


def period_of(starts_ns: Sequence[int], count: int = 0) -> Period | None:
    """
    The rhythm of moments in nanoseconds: median interval and its median absolute deviation, in seconds.

    None below ``MIN_STARTS`` moments; ``count`` says of how many starts the
    moments were kept.  The median is used because one pause or one retry must
    not move the figure (common practice).
    """
    if len(starts_ns) < MIN_STARTS:
        return None
    ordered = sorted(starts_ns)
    intervals = [later - earlier for earlier, later in itertools.pairwise(ordered)]
    middle = median(intervals)
    jitter = median(abs(interval - middle) for interval in intervals)
    return Period(
        median_seconds=middle / NS_PER_SECOND,
        jitter_seconds=jitter / NS_PER_SECOND,
        count=max(count, len(starts_ns)),
    )


def rhythm_of(seen: Sighting) -> Period | None:
    """
    The rhythm of starts behind a sighting's moments: those of one exchange, close together, are one start.

    ``Sighting.period`` measures every message; of the records of a few sessions it would make a rhythm of
    milliseconds.  The count is that of the starts kept, scaled to all that were seen.
    """
    times = sorted(seen.starts)
    starts = times[:1]
    starts += [later for earlier, later in itertools.pairwise(times) if later - earlier >= BURST_GAP_NS]
    count = round(seen.count * len(starts) / len(seen.starts)) if len(seen.starts) else 0
    return period_of(starts, count)


def steady(period: Period | None) -> bool:
    """Whether a rhythm is regular enough to be a clock's: jitter at most a tenth of the interval."""
    return (
        period is not None
        and period.median_seconds > 0
        and (period.jitter_seconds <= period.median_seconds / 10)
    )


class Table(Generic[Key, Row]):
    """A dictionary with an end: what comes after ``limit`` rows is counted, not kept."""

    __slots__ = ("_make", "limit", "overflow", "rows")

    def __init__(self, make: Callable[[], Row], limit: int = MAX_TABLE_ROWS) -> None:
        self._make = make
        self.limit = limit
        self.rows: dict[Key, Row] = {}
        self.overflow = 0

    def at(self, key: Key) -> Row:
        """
        Return the row of ``key``, made on first use.

        Past the limit a row that nobody keeps is returned, so that callers need
        no second path; ``overflow`` says how often.
        """
        row = self.rows.get(key)
        if row is None:
            row = self._make()
            if len(self.rows) < self.limit:
                self.rows[key] = row
            else:
                self.overflow += 1
        return row

    def items(self) -> Iterable[tuple[Key, Row]]:
        """All rows in the order in which they were first seen."""
        return self.rows.items()

    def values(self) -> Iterable[Row]:
        """All rows without their keys."""
        return self.rows.values()


def merged_evidence(parts: Iterable[Sequence[PacketReference]]) -> tuple[PacketReference, ...]:
    """Join lists of packets: in order, the first always kept, at most ``MAX_EVIDENCE``."""
    return tuple(sorted({packet for part in parts for packet in part})[:MAX_EVIDENCE])
