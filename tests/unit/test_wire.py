"""The cursor, against ``int.from_bytes`` and slices of the standard library."""

from struct import Struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.errors import TruncatedError
from auditor.wire import Cursor

LAYOUT = Struct(">BH3sI")
SIZES = (1, 2, 3, 4)


def one_by_one(octets):
    parts, start = [], 0
    for size in SIZES:
        parts.append(octets[start : start + size])
        start += size
    number, word, text, double = parts
    return number[0], int.from_bytes(word, "big"), text, int.from_bytes(double, "big")


@given(st.binary(max_size=24), st.integers(0, 8), st.integers(0, 4))
def test_fields_at_once_are_the_fields_one_by_one(octets, start, cut):
    start = min(start, len(octets))
    end = max(start, len(octets) - cut)
    cursor = Cursor(octets, start, end)

    fields = cursor.unpack(LAYOUT)

    if end - start < LAYOUT.size:
        assert fields is None
        assert (cursor.offset, cursor.remaining) == (start, end - start)
    else:
        assert fields == one_by_one(octets[start:])
        assert (cursor.offset, cursor.remaining) == (start + LAYOUT.size, end - start - LAYOUT.size)


@given(st.binary(max_size=8), st.integers(0, 12))
def test_skip_goes_where_take_goes_and_says_the_same(octets, length):
    taken, skipped = Cursor(octets), Cursor(octets)
    if length <= len(octets):
        assert taken.take(length, "field") == octets[:length]
        skipped.skip(length, "field")
    else:
        with pytest.raises(TruncatedError) as from_take:
            taken.take(length, "field")
        with pytest.raises(TruncatedError) as from_skip:
            skipped.skip(length, "field")
        assert str(from_skip.value) == str(from_take.value)
    assert skipped.offset == taken.offset
