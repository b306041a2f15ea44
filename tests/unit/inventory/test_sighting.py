"""Median and median absolute deviation against ``statistics`` and numpy; tables that end."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.flows.flow import PacketReference, Period
from auditor.inventory.facts import MAX_EVIDENCE
from auditor.inventory.sighting import MAX_STARTS, Sighting, Table, period_of, rhythm_of, steady

moments = st.lists(st.integers(0, 2**62), min_size=4, max_size=40)


@given(moments)
def test_period_is_the_median_interval_and_its_deviation(starts):
    intervals = np.diff(np.sort(np.array(starts, dtype=np.int64))).astype(float)
    period = period_of(starts)

    assert period.median_seconds == pytest.approx(np.median(intervals) / 1e9)
    assert period.jitter_seconds == pytest.approx(
        np.median(np.abs(intervals - np.median(intervals))) / 1e9, abs=1e-6
    )
    assert period.count == len(starts)


def test_three_starts_have_no_period():
    assert period_of([1, 2, 3]) is None
    assert not steady(None)


def test_messages_of_one_exchange_are_one_start():
    seen = Sighting()
    for start in range(10):
        for piece in range(3):
            seen.add(start * 10**9 + piece * 5_000_000, PacketReference(0, 1))

    assert seen.period.median_seconds == pytest.approx(0.005)
    assert rhythm_of(seen).median_seconds == pytest.approx(1.0)
    assert rhythm_of(seen).count == 10


@given(st.integers(1, 40), st.floats(0.001, 3600), st.floats(0, 1))
def test_a_rhythm_needs_starts_and_little_deviation(count, median, share):
    period = Period(median_seconds=median, jitter_seconds=median * share, count=count)

    assert period.is_regular == (count >= 8 and median * share <= 0.2 * median)


def test_random_starts_are_no_rhythm():
    # Intervals of a Poisson process are exponential; their median absolute deviation is 0.69 of the median (numpy).
    intervals = np.random.default_rng(5).exponential(10**9, 4000)

    assert not period_of(np.cumsum(intervals).astype(np.int64).tolist()).is_regular


def test_poll_each_second_is_steady_and_back_off_is_not():
    assert steady(period_of([n * 10**9 + (n % 3) * 10**6 for n in range(50)]))
    assert not steady(period_of([2**n * 10**9 for n in range(12)]))


def test_sightings_are_bounded_and_count_on():
    seen = Sighting()
    for number in range(3 * MAX_STARTS):
        seen.add(number * 10**9, PacketReference(0, number + 1))
    assert seen.count == 3 * MAX_STARTS
    assert len(seen.starts) == MAX_STARTS
    assert seen.evidence == tuple(PacketReference(0, n + 1) for n in range(MAX_EVIDENCE))
    assert seen.period.count == 3 * MAX_STARTS
    assert (seen.first_ns, seen.last_ns) == (0, (3 * MAX_STARTS - 1) * 10**9)


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=30), st.integers(0, 30))
def test_two_halves_absorb_to_the_whole(times, cut):
    whole, first, second = Sighting(), Sighting(), Sighting()
    for number, time in enumerate(times):
        packet = PacketReference(0, number)
        whole.add(time, packet)
        (first if number < cut else second).add(time, packet)
    first.absorb(second)
    assert (first.count, first.first_ns, first.last_ns) == (whole.count, whole.first_ns, whole.last_ns)
    assert first.evidence == whole.evidence
    assert first.period == whole.period


def test_full_table_counts_what_it_does_not_keep():
    table = Table(Sighting, 2)
    for key in "abca":
        table.at(key).count += 1
    assert set(table.rows) == {"a", "b"}
    assert table.rows["a"].count == 2
    assert table.overflow == 1
