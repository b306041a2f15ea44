"""Times as RFC 3339 section 5.6; oracle: ``datetime.fromisoformat``."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from auditor.units import NS_PER_SECOND, format_time


@given(st.integers(0, 253_402_300_799), st.integers(0, NS_PER_SECOND - 1))
def test_time_reads_back(seconds, nanoseconds):
    text = format_time(seconds * NS_PER_SECOND + nanoseconds)

    head, _, tail = text.partition(".")
    assert datetime.fromisoformat(head).replace(tzinfo=UTC).timestamp() == seconds
    assert tail == f"{nanoseconds:09d}Z"


@given(st.integers(-(2**70), 2**70))
def test_any_figure_of_a_damaged_file_has_a_text(timestamp_ns):
    assert format_time(timestamp_ns)
