"""Units of time and their text forms."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache

NS_PER_SECOND = 1_000_000_000
NS_PER_MILLISECOND = 1_000_000


def format_time(timestamp_ns: int) -> str:
    """
    RFC 3339 in UTC with nanoseconds kept: ``2026-03-01T18:00:00.000000000Z``.

    ``timestamp_ns`` counts nanoseconds since 1970-01-01T00:00:00Z and may be
    anything that a damaged file holds: values outside the years 1 to 9999 are
    written as a plain number of seconds.
    """
    seconds, nanoseconds = divmod(timestamp_ns, NS_PER_SECOND)
    whole = _format_second(seconds)
    return f"{seconds}.{nanoseconds:09d}" if whole is None else f"{whole}.{nanoseconds:09d}Z"


@lru_cache(maxsize=4096)  # a report names the seconds of an hour again and again
def _format_second(seconds: int) -> str | None:
    try:
        moment = datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return None
    return moment.replace(tzinfo=None).isoformat()


def seconds_between(start_ns: int, end_ns: int) -> float:
    """Seconds from start to end."""
    return (end_ns - start_ns) / NS_PER_SECOND
