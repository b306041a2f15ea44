"""RFC 3339 section 5.8 gives the examples; the oracle is the standard library's datetime, which reads ISO 8601."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.settings.times import parse_date, parse_time_ns


@pytest.mark.parametrize(
    ("text", "same_instant"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
    ],
)
def test_examples_of_the_standard(text, same_instant):
    since = same_instant - datetime(1970, 1, 1, tzinfo=UTC)

    assert parse_time_ns(text) == since // timedelta(microseconds=1) * 1000


@given(
    st.datetimes(),
    st.integers(-23 * 60, 23 * 60),
    st.sampled_from("Tt "),
)
def test_agrees_with_the_standard_library(moment, offset_minutes, separator):
    aware = moment.replace(
        year=1900 + moment.year % 300,
        day=min(moment.day, 28),
        tzinfo=timezone(timedelta(minutes=offset_minutes)),
    )
    text = aware.isoformat().replace("T", separator)

    assert (
        parse_time_ns(text) == (aware - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
    )


def test_nanoseconds_are_kept():
    assert parse_time_ns("1970-01-01T00:00:01.000000001Z") == 1_000_000_001


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("18:05", "clock time alone"),
        ("18:05:10", "clock time alone"),
        ("2026-03-01T18:05:00", "offset"),
        ("2026-03-01", "offset"),
        ("2026-02-30T18:05:00Z", "calendar"),
        ("2026-03-01T24:00:00Z", "hours to 23"),
        ("2026-03-01T18:60:00Z", "minutes to 59"),
        ("2026-03-01T18:05:60Z", "60 only"),
        ("2026-03-01T18:05:00+24:00", "hours to 23"),
        ("2026-03-01T18:05:00.0000000001Z", "offset"),
        ("٢٠٢٦-03-01T18:05:00Z", "offset"),
        ("", "offset"),
    ],
)
def test_what_the_standard_does_not_allow_is_refused(text, says):
    with pytest.raises(ValueError, match=says):
        parse_time_ns(text)


def test_dates():
    assert parse_date("2026-12-31") == date(2026, 12, 31)
    for text in ("2026-2-3", "20261231", "2026-13-01", "0000-01-01", "2026-12-31T00:00:00Z"):
        with pytest.raises(ValueError, match="expected a da"):
            parse_date(text)


@given(st.text("0123456789-:TZ+. ", max_size=30))
def test_any_text_gives_a_time_or_a_value_error(text):
    said = "expected"
    try:
        parse_time_ns(text)
    except ValueError as error:
        said = str(error)
    assert said.startswith("expected")
