"""Dates and times as people write them into settings: RFC 3339 section 5.6, and nothing vaguer."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

_DATE = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})", re.ASCII)
_CLOCK_ONLY = re.compile(r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?", re.ASCII)
# A space instead of T is what the note of section 5.6 allows for readability.
_DATE_TIME = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]{1,9}))?"
    r"(?:[Zz]|([+-])([0-9]{2}):([0-9]{2}))",
    re.ASCII,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EXAMPLE = "2026-03-01T18:05:00+01:00"


def parse_date(text: str) -> date:
    """RFC 3339 ``full-date``; raises ``ValueError`` with a text that says what was expected."""
    match = _DATE.fullmatch(text)
    if match is None:
        raise ValueError("expected a date such as 2026-12-31")
    try:
        return date(*map(int, match.groups()))
    except ValueError:
        raise ValueError("expected a day that the calendar has") from None


def parse_time_ns(text: str) -> int:
    """
    RFC 3339 ``date-time`` to nanoseconds since 1970-01-01T00:00:00Z.

    The offset is required: a recording counts in UTC, and a guessed zone would
    move the user's action to another hour.  A leap second counts as the first
    instant of the next minute, as POSIX time does.  Raises ``ValueError`` with
    a text that says what was expected.
    """
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        why = " (a clock time alone tells neither day nor zone)" if _CLOCK_ONLY.fullmatch(text) else ""
        raise ValueError(f"expected a time with date and offset such as {_EXAMPLE}{why}")
    day_text, *clock, fraction, sign, offset_hours, offset_minutes = match.groups()
    day = parse_date(day_text)
    hour, minute, second = map(int, clock)
    ahead = timedelta(hours=int(offset_hours or 0), minutes=int(offset_minutes or 0))
    if (
        hour > 23
        or minute > 59
        or second > 60
        or int(offset_hours or 0) > 23
        or int(offset_minutes or 0) > 59
    ):
        raise ValueError("expected hours to 23, minutes to 59 and seconds to 59")
    since_epoch = datetime(day.year, day.month, day.day, tzinfo=UTC) - _EPOCH
    utc = since_epoch + timedelta(hours=hour, minutes=minute) - (-ahead if sign == "-" else ahead)
    if second == 60 and utc % timedelta(days=1) != timedelta(hours=23, minutes=59):
        raise ValueError("expected seconds to 59 (60 only in the last minute of a day in UTC)")
    whole_seconds = utc // timedelta(seconds=1) + second
    return whole_seconds * 1_000_000_000 + int((fraction or "").ljust(9, "0"))
