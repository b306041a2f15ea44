"""
The tables are printed in S. C. Kleene, Introduction to Metamathematics (1952), section 64 (values from memory).

The second check derives them: unknown is what could still become either.
"""

from itertools import product

import pytest

from auditor.ruleset.truth import all_of, any_of, negation

T, F, U = True, False, None

AND = [(T, T, T), (T, F, F), (T, U, U), (F, T, F), (F, F, F), (F, U, F), (U, T, U), (U, F, F), (U, U, U)]
OR = [(T, T, T), (T, F, T), (T, U, T), (F, T, T), (F, F, F), (F, U, U), (U, T, T), (U, F, U), (U, U, U)]


@pytest.mark.parametrize(("left", "right", "result"), AND)
def test_conjunction(left, right, result):
    assert all_of((left, right)) is result


@pytest.mark.parametrize(("left", "right", "result"), OR)
def test_disjunction(left, right, result):
    assert any_of((left, right)) is result


def test_negation():
    assert [negation(value) for value in (T, F, U)] == [F, T, U]


@pytest.mark.parametrize("length", range(5))
def test_unknown_is_what_could_still_become_either(length):
    for values in product((T, F, U), repeat=length):
        completions = list(product(*[(T, F) if value is None else (value,) for value in values]))
        for ours, classical in ((all_of, all), (any_of, any)):
            possible = {classical(completion) for completion in completions}
            assert ours(iter(values)) is (possible.pop() if len(possible) == 1 else None)
