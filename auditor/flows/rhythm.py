"""
How regularly something starts.

``Rhythm`` measures one series of moments.  ``RhythmTable`` measures the starts
of all conversations of a recording at once, a batch at a time, while the flow
table may already have folded the rows that the starts belonged to.

A conversation has many clients' ports and one service: initiator's address,
responder's address, protocol, responder's port.  Its events are TCP segments
with SYN alone, and datagrams; an event is a *start* where no other one came
shortly before.  Whether an event is a start depends on the event before it
alone, so tables of consecutive parts of a recording join exactly.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.flows.flow import Period
from auditor.flows.keys import Int64, KeyTable, UInt64, before, group_order, run_starts
from auditor.units import NS_PER_MILLISECOND, NS_PER_SECOND

BURST_GAP_NS = 200 * NS_PER_MILLISECOND
"""Events closer than this belong to one start.  Parallel connections of one page and the datagrams of one
exchange lie closer (round trips around the world stay below it, common practice), while pollers of lights run
at some tenths of a second and slower."""

MIN_STARTS = 4
"""Fewer starts show no rhythm: three intervals are the least of which one may differ."""

MAX_INTERVALS_PER_SERIES = 256
"""Intervals kept of one series, about: enough for a median within a few per cent.  Beyond it a fixed half,
quarter and so on of them is kept, spread over the whole series without pattern."""

MAX_INTERVALS_HELD = 1 << 20
"""Intervals kept of all conversations together, 24 octets each; beyond it each series keeps fewer."""

MAX_CONVERSATIONS = 200_000
"""Conversations measured; later ones go unmeasured and are counted.  As many as the flow table has rows."""

CONVERSATION_WORDS = 6
_NO_TAG = -1
_SPREAD = 0x9E3779B97F4A7C15  # 2^64 / golden ratio (Knuth, volume 3, section 6.4; from memory)


def _sample_level(indices: Int64) -> npt.NDArray[np.uint64]:
    """Mix numbers: ``mixed % 2^k == 0`` picks one in 2^k of them without pattern, and always number 0."""
    mixed = indices.astype(np.uint64) * np.uint64(_SPREAD)
    mixed ^= mixed >> np.uint64(32)
    mixed *= np.uint64(_SPREAD)
    return mixed >> np.uint64(20)


def _strides(counts: Int64, kept: int) -> npt.NDArray[np.uint64]:
    """Smallest powers of two by which series of these lengths must be thinned."""
    ratio = np.maximum(1, -(-counts // kept))
    return np.left_shift(1, np.ceil(np.log2(ratio)).astype(np.int64)).astype(np.uint64)


def _median_and_deviation(
    groups: Int64, values: Int64, group_count: int
) -> tuple[npt.NDArray[np.float64], ...]:
    """Median of each group and the median absolute deviation from it; NaN for empty groups."""
    medians = _grouped_median(groups, values.astype(np.float64), group_count)
    deviations = _grouped_median(groups, np.abs(values - medians[groups]), group_count)
    return medians, deviations


def _grouped_median(
    groups: Int64, values: npt.NDArray[np.float64], group_count: int
) -> npt.NDArray[np.float64]:
    medians = np.full(group_count, np.nan)
    if not len(values):
        return medians
    order = np.lexsort((values, groups))
    counts = np.bincount(groups, minlength=group_count)
    begin = np.cumsum(counts) - counts
    used = np.flatnonzero(counts)
    ordered = values[order]
    upper = ordered[begin[used] + counts[used] // 2]
    lower = ordered[begin[used] + (counts[used] - 1) // 2]
    medians[used] = (upper + lower) / 2
    return medians


class Rhythm:
    """Rhythm of one series of moments, in time order; bounded and joinable."""

    __slots__ = ("_indices", "_intervals", "count", "first_ns", "last_ns")

    def __init__(self) -> None:
        self.count = 0
        """Moments added."""
        self.first_ns = 0
        self.last_ns = 0
        self._indices: list[int] = []
        self._intervals: list[int] = []

    def add(self, timestamp_ns: int) -> None:
        """Add a moment (nanoseconds since the epoch); one before the last counts as simultaneous with it."""
        if self.count:
            timestamp_ns = max(timestamp_ns, self.last_ns)
            self._indices.append(self.count - 1)
            self._intervals.append(timestamp_ns - self.last_ns)
        else:
            self.first_ns = timestamp_ns
        self.count += 1
        self.last_ns = timestamp_ns
        if len(self._indices) >= 2 * MAX_INTERVALS_PER_SERIES:
            self._thin()

    def merge(self, later: Rhythm) -> None:
        """Append a series that began after this one ended."""
        if not later.count:
            return
        base = self.count
        if base:
            self._indices.append(base - 1)
            self._intervals.append(max(0, later.first_ns - self.last_ns))
        else:
            self.first_ns = later.first_ns
        self._indices += [base + index for index in later._indices]
        self._intervals += later._intervals
        self.count += later.count
        self.last_ns = max(self.last_ns, later.last_ns)
        self._thin()

    def period(self) -> Period | None:
        """The rhythm, or None below ``MIN_STARTS`` moments."""
        if self.count < MIN_STARTS:
            return None
        self._thin()
        values = np.array(self._intervals, np.int64)
        median, deviation = _median_and_deviation(np.zeros(len(values), np.int64), values, 1)
        return Period(
            median_seconds=float(median[0]) / NS_PER_SECOND,
            jitter_seconds=float(deviation[0]) / NS_PER_SECOND,
            count=self.count,
        )

    def _thin(self) -> None:
        if len(self._indices) <= MAX_INTERVALS_PER_SERIES:
            return
        stride = _strides(np.array([self.count]), MAX_INTERVALS_PER_SERIES)[0]
        keep = _sample_level(np.array(self._indices, np.int64)) % stride == 0
        self._indices = [index for index, is_kept in zip(self._indices, keep, strict=True) if is_kept]
        self._intervals = [value for value, is_kept in zip(self._intervals, keep, strict=True) if is_kept]


class RhythmTable:
    """Rhythms of conversations, by the columns of their events."""

    __slots__ = (
        "_counts",
        "_first_ns",
        "_first_tag",
        "_kept",
        "_keys",
        "_last_event_ns",
        "_last_ns",
        "_last_tag",
        "_log",
        "_log_length",
        "_log_limit",
        "unmeasured",
    )

    def __init__(self) -> None:
        self._keys = KeyTable(CONVERSATION_WORDS)
        self._counts = np.zeros(0, np.int64)  # starts
        self._first_ns = np.zeros(0, np.int64)  # first event, which is the first start
        self._first_tag = np.zeros(0, np.int64)
        self._last_ns = np.zeros(0, np.int64)  # last start
        self._last_event_ns = np.zeros(0, np.int64)
        self._last_tag = np.zeros(0, np.int64)
        self._log: list[Int64] = []  # columns: conversation, index of the interval, nanoseconds
        self._log_length = 0
        self._log_limit = MAX_INTERVALS_HELD // 4
        self._kept = MAX_INTERVALS_PER_SERIES
        self.unmeasured = 0
        """Keys that came when ``MAX_CONVERSATIONS`` were known."""

    def __len__(self) -> int:
        return self._keys.count

    def locate(self, keys: UInt64) -> Int64:
        """Numbers for conversations (``CONVERSATION_WORDS`` × n); -1 where there is no room for a new one."""
        if self._keys.count < MAX_CONVERSATIONS:
            numbers = self._keys.locate(keys)
            self._make_room()
            return numbers
        numbers = self._keys.find(keys)
        self.unmeasured += int(np.count_nonzero(numbers < 0))
        return numbers

    def find(self, keys: UInt64) -> Int64:
        """Numbers of known conversations, -1 for unknown ones."""
        return self._keys.find(keys)

    def add(self, conversations: Int64, timestamp_ns: Int64, tags: Int64) -> None:
        """
        Add events in the order they were recorded.

        ``tags``: port and sequence number of a SYN, so that a retransmitted one
        is no start; -1 for a datagram.
        """
        if not len(conversations):
            return
        order, begin = group_order(conversations, self._keys.count)
        conversation, moment, tag = conversations[order], timestamp_ns[order], tags[order]
        first = conversation[begin]
        previous_ns, previous_tag = before(moment), before(tag)
        previous_ns[begin], previous_tag[begin] = self._last_event_ns[first], self._last_tag[first]
        is_start = (moment - previous_ns >= BURST_GAP_NS) & ((tag == _NO_TAG) | (tag != previous_tag))
        is_new = self._counts[first] == 0
        is_start[begin[is_new]] = True
        self._first_ns[first[is_new]] = moment[begin[is_new]]
        self._first_tag[first[is_new]] = tag[begin[is_new]]
        end = np.append(begin[1:], len(order)) - 1
        self._last_event_ns[first] = moment[end]
        self._last_tag[first] = tag[end]
        self._add_starts(conversation[is_start], moment[is_start])

    def _add_starts(self, conversation: Int64, moment: Int64) -> None:
        """Starts, grouped by conversation."""
        if not len(conversation):
            return
        begin = run_starts(conversation)
        first = conversation[begin]
        length = np.diff(np.append(begin, len(conversation)))
        previous = before(moment)
        previous[begin] = self._last_ns[first]
        index = np.arange(len(conversation)) - np.repeat(begin, length) + self._counts[conversation] - 1
        has_previous = index >= 0
        self._counts[first] += length
        self._last_ns[first] = moment[begin + length - 1]
        interval = np.maximum(0, moment - previous)
        self._append(np.stack((conversation, index, interval))[:, has_previous])

    def merge(self, later: RhythmTable) -> None:
        """Continue with the table of the part of the recording that follows."""
        if not later._keys.count:
            return
        known = self._keys.count
        numbers = self.locate(later._keys.keys)
        self.unmeasured += later.unmeasured
        size = later._keys.count
        is_held = np.flatnonzero((numbers >= 0) & (later._counts[:size] > 0))
        mine = numbers[is_held]
        is_old = (mine < known) & (self._counts[mine] > 0)
        tag = later._first_tag[is_held]
        begins = ~is_old | (
            (later._first_ns[is_held] - self._last_event_ns[mine] >= BURST_GAP_NS)
            & ((tag == _NO_TAG) | (tag != self._last_tag[mine]))
        )
        shift = np.full(size, 0, np.int64)  # of the indices of the later intervals
        shift[is_held] = self._counts[mine] - ~begins
        lengthen = np.full(size, 0, np.int64)  # of the first later interval, where its start is none
        lengthen[is_held] = np.where(begins, 0, later._first_ns[is_held] - self._last_ns[mine])
        joint = np.flatnonzero(is_old & begins)
        at = mine[joint]
        gap = np.maximum(0, later._first_ns[is_held][joint] - self._last_ns[at])
        self._append(np.stack((at, self._counts[at] - 1, gap)))
        for conversation, index, interval in later._log:
            interval = interval + np.where(index == 0, lengthen[conversation], 0)
            moved = np.stack((numbers[conversation], index + shift[conversation], interval))
            self._append(moved[:, moved[0] >= 0])
        fresh = mine[~is_old]
        self._first_ns[fresh] = later._first_ns[is_held][~is_old]
        self._first_tag[fresh] = tag[~is_old]
        added = later._counts[is_held] - ~begins
        self._last_ns[mine] = np.where(added > 0, later._last_ns[is_held], self._last_ns[mine])
        self._counts[mine] += added
        self._last_event_ns[mine] = later._last_event_ns[is_held]
        self._last_tag[mine] = later._last_tag[is_held]

    def periods(self) -> tuple[Int64, npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """
        Starts, median and jitter (both in seconds) of each conversation by number.

        Median and jitter are NaN below ``MIN_STARTS`` starts.
        """
        self._thin()
        size = self._keys.count
        counts = self._counts[:size]
        log = self._log[0] if self._log else np.zeros((3, 0), np.int64)
        log = log[:, counts[log[0]] >= MIN_STARTS]
        median, deviation = _median_and_deviation(log[0], log[2], size)
        return counts, median / NS_PER_SECOND, deviation / NS_PER_SECOND

    def _append(self, entries: Int64) -> None:
        if entries.shape[1]:
            self._log.append(entries)
            self._log_length += entries.shape[1]
            if self._log_length > self._log_limit:
                self._thin()

    def _thin(self) -> None:
        """Join the log to one block and keep of each series its share."""
        if not self._log:
            return
        log = np.concatenate(self._log, axis=1)
        while True:
            stride = _strides(self._counts[: self._keys.count], self._kept)[log[0]]
            log = log[:, _sample_level(log[1]) % stride == 0]
            if log.shape[1] <= MAX_INTERVALS_HELD // 2 or self._kept == 1:
                break
            self._kept //= 2
        self._log = [log]
        self._log_length = log.shape[1]
        self._log_limit = max(MAX_INTERVALS_HELD // 4, 2 * self._log_length)

    def _make_room(self) -> None:
        room = self._keys.room
        if room > len(self._counts):
            for name in ("_counts", "_first_ns", "_first_tag", "_last_ns", "_last_event_ns", "_last_tag"):
                column = np.zeros(room, np.int64)
                old = getattr(self, name)
                column[: len(old)] = old
                setattr(self, name, column)
