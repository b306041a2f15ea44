"""Medians against the standard library's ``statistics``; joining against reading the whole."""

import statistics
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows import rhythm as module
from auditor.flows.rhythm import (
    BURST_GAP_NS,
    CONVERSATION_WORDS,
    MAX_INTERVALS_PER_SERIES,
    Rhythm,
    RhythmTable,
)
from auditor.units import NS_PER_SECOND

SECOND = NS_PER_SECOND


def rhythm_of(moments):
    rhythm = Rhythm()
    for moment in moments:
        rhythm.add(moment)
    return rhythm


@given(st.lists(st.integers(0, 10**15), min_size=4, max_size=60).map(sorted))
def test_period_is_median_and_median_deviation(moments):
    intervals = [b - a for a, b in pairwise(moments)]
    median = statistics.median(intervals)
    deviation = statistics.median(abs(value - median) for value in intervals)

    period = rhythm_of(moments).period()

    assert period.median_seconds == pytest.approx(median / SECOND)
    assert period.jitter_seconds == pytest.approx(deviation / SECOND)
    assert period.count == len(moments)


def test_three_starts_show_no_rhythm():
    assert rhythm_of([0, SECOND, 2 * SECOND]).period() is None


def test_moment_before_the_last_counts_as_simultaneous():
    assert rhythm_of([10, 5, 12, 12]).last_ns == 12


@given(st.lists(st.integers(0, 10**9), max_size=2_000).map(sorted), st.integers(0, 2_000))
@settings(max_examples=30, deadline=None)
def test_joined_parts_equal_the_whole(moments, cut):
    first, second = rhythm_of(moments[:cut]), rhythm_of(moments[cut:])
    first.merge(second)

    assert first.period() == rhythm_of(moments).period()
    assert (first.count, first.last_ns) == (len(moments), moments[-1] if moments else 0)


def test_long_series_keeps_its_two_alternating_intervals():
    """Two connections a minute, 10 s apart: every second interval is 50 s, and thinning must not pick one kind."""
    moments = [minute * 60 * SECOND + start for minute in range(20_000) for start in (0, 10 * SECOND)]
    rhythm = rhythm_of(moments)

    assert len(rhythm._intervals) < 2 * MAX_INTERVALS_PER_SERIES
    kept = {interval // SECOND for interval in rhythm._intervals}
    assert kept == {10, 50}
    assert rhythm.period().count == 40_000


def table_of(events, batches=1):
    table = RhythmTable()
    for part in np.array_split(np.array(events, np.int64).reshape(-1, 3), batches):
        keys = np.zeros((CONVERSATION_WORDS, len(part)), np.uint64)
        keys[0] = part[:, 0]
        table.add(table.locate(keys), part[:, 1], part[:, 2])
    return table


def starts_of(events):
    """One by one: which events are starts, and the intervals between them, by conversation."""
    last, starts = {}, {}
    for conversation, moment, tag in events:
        before = last.get(conversation)
        if before is None or (moment - before[0] >= BURST_GAP_NS and (tag == -1 or tag != before[1])):
            starts.setdefault(conversation, []).append(moment)
        last[conversation] = (moment, tag)
    return starts


def results(table):
    counts, median, jitter = table.periods()
    return {
        int(key): (int(count), None if np.isnan(m) else round(m, 6), None if np.isnan(j) else round(j, 6))
        for key, count, m, j in zip(table._keys.keys[0], counts, median, jitter, strict=False)
    }


events = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 900_000_000), st.sampled_from([-1, -1, 5, 6])), max_size=60
)


def in_order(steps):
    moment, result = 0, []
    for conversation, step, tag in steps:
        moment += step
        result.append((conversation, moment, tag))
    return result


@given(events.map(in_order), st.integers(1, 6))
@settings(deadline=None)
def test_table_measures_as_one_by_one(sequence, batches):
    measured = results(table_of(sequence, batches))
    expected = {}
    for conversation, moments in starts_of(sequence).items():
        period = rhythm_of(moments).period()
        figures = (None, None) if period is None else (period.median_seconds, period.jitter_seconds)
        expected[conversation] = (len(moments), *(None if f is None else round(f, 6) for f in figures))

    assert measured == expected


@given(events.map(in_order), st.integers(0, 60))
@settings(deadline=None)
def test_joined_tables_equal_the_whole(sequence, cut):
    joined = table_of(sequence[:cut])
    joined.merge(table_of(sequence[cut:]))

    assert results(joined) == results(table_of(sequence))


def test_long_conversation_is_joined_exactly_and_bounded(monkeypatch):
    rng = np.random.default_rng(5)
    moments = np.cumsum(rng.integers(SECOND, 3 * SECOND, 5_000))
    sequence = [(0, int(moment), -1) for moment in moments]
    joined = table_of(sequence[:1_234])
    joined.merge(table_of(sequence[1_234:]))

    assert results(joined) == results(table_of(sequence, 7))
    assert results(joined)[0][1] == pytest.approx(2.0, abs=0.2)
    monkeypatch.setattr(module, "MAX_INTERVALS_HELD", 64)
    small = table_of(sequence, 50)
    assert sum(block.shape[1] for block in small._log) <= 64


def test_conversations_beyond_the_limit_are_counted(monkeypatch):
    monkeypatch.setattr(module, "MAX_CONVERSATIONS", 2)
    table = RhythmTable()
    keys = np.zeros((CONVERSATION_WORDS, 2), np.uint64)
    keys[0] = [1, 2]
    assert sorted(table.locate(keys).tolist()) == [0, 1]
    keys[0] = [2, 3]

    numbers = table.locate(keys)
    assert (numbers[0] >= 0, numbers[1], table.unmeasured) == (True, -1, 1)
