"""Ids: BLAKE2b is that of the standard library (RFC 7693); different parts may never run together."""

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from auditor.ruleset.identity import finding_id

VALUES = st.lists(st.lists(st.text("ab", max_size=2), max_size=2).map(tuple), max_size=3).map(tuple)
PARTS = st.tuples(st.text("ab", max_size=3), st.text("ab", max_size=3), VALUES)


@given(PARTS, PARTS)
def test_different_parts_give_different_ids(left, right):
    assert (finding_id(*left) == finding_id(*right)) is (left == right)


def test_borders_between_values_count():
    ids = [
        finding_id("r", "d", values)
        for values in (((), ("a",)), (("a",), ()), (("a",),), ((), (), ("a",)), (("", "a"),))
    ]

    assert len(set(ids)) == len(ids)


def test_octets_are_those_that_the_docstring_names():
    octets = b"\0\0\0\x01r" + b"\0\0\0\x01d" + b"\0\0\0\x01" + b"\0\0\0\x04http" + b"\0\0\0\0"

    assert finding_id("r", "d", (("http",), ())) == hashlib.blake2b(octets, digest_size=8).hexdigest()
