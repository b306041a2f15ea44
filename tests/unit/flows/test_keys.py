"""Numbers of keys against a dictionary."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows import refusals as refusals_module
from auditor.flows.keys import KeyTable, group_order
from auditor.flows.refusals import ATTEMPT_WORDS, Refusals

words = st.sampled_from([0, 1, 2, 1 << 48, 1 << 63, (1 << 64) - 1])


@settings(deadline=None)
@given(st.lists(st.lists(st.tuples(words, words), max_size=20), max_size=5))
def test_equal_keys_have_equal_numbers(batches):
    table, known = KeyTable(2), {}
    for batch in batches:
        keys = np.array(batch, np.uint64).reshape(-1, 2).T
        before = {key: table.find(np.array([key], np.uint64).T)[0] for key in batch}
        assert all((number >= 0) == (key in known) for key, number in before.items())
        for key, number in zip(batch, table.locate(keys).tolist(), strict=True):
            assert known.setdefault(key, number) == number
    assert sorted(known.values()) == list(range(table.count))
    assert {tuple(key) for key in table.keys.T.tolist()} == set(known)


def test_table_grows_with_keys_that_differ_in_high_bits_only():
    """Ports and protocols stand in the high bits of their words."""
    table = KeyTable(3)
    port = np.arange(60_000, dtype=np.uint64)
    keys = np.stack((port << np.uint64(48), (port % np.uint64(7)) << np.uint64(48), np.zeros_like(port)))

    numbers = table.locate(keys)

    assert sorted(numbers.tolist()) == list(range(60_000))
    assert (table.find(keys) == numbers).all()
    assert table.find(np.array([[1], [0], [0]], np.uint64)).tolist() == [-1]


@given(st.lists(st.integers(0, 9), max_size=50))
def test_groups_keep_their_order(numbers):
    order, begin = group_order(np.array(numbers, np.int64), 10)
    groups = np.split(order, begin[1:])

    assert sorted(order.tolist()) == list(range(len(numbers)))
    for group in groups:
        members = group.tolist()
        assert members == sorted(members)
        assert len({numbers[index] for index in members}) <= 1


def test_refusals_are_bounded_and_said(monkeypatch):
    monkeypatch.setattr(refusals_module, "MAX_REFUSALS", 2)
    refusals = Refusals()
    keys = np.arange(ATTEMPT_WORDS * 3, dtype=np.uint64).reshape(ATTEMPT_WORDS, 3)
    two, words_of_two = np.array([2, 3]), np.array([8, 9], np.uint64)
    refusals._insert(keys[:, :2], two, words_of_two, words_of_two)
    refusals._insert(keys[:, 1:], two, words_of_two, words_of_two)

    assert (len(refusals), refusals.unrecorded) == (2, 1)
    kind, high, _ = refusals.find(keys)
    assert (kind.tolist(), high.tolist()) == ([2, 3, 0], [8, 9, 0])
