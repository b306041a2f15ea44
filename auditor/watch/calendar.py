"""Runs told by the calendar: missed nights, hours without a usable recording, usual days."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from auditor.store.history import NewChange, StoredChange, StoredRun
from auditor.units import NS_PER_SECOND
from auditor.watch.baseline import USUAL_DAY_UPDATES

HOUR_NS = 3_600 * NS_PER_SECOND
CLOCK_BACK_SECONDS = 300
"""A clock that goes back by less is being set right by a time server."""
REMIND_HOURS = 168
"""A lack that lasts is told again each week: daily alarms are filtered away, silence is forgotten."""
USABLE = frozenset({"same", "changed"})


def local_day(timestamp_ns: int) -> datetime:
    """The moment in the zone of this machine; a run just after midnight belongs to the day that began."""
    return datetime.fromtimestamp(timestamp_ns // NS_PER_SECOND, UTC).astimezone()


def missed_nights(runs: Sequence[StoredRun], now_ns: int, every_hours: float) -> list[NewChange]:
    """
    What the time since the last run tells: missed runs, or a clock that went back.

    Half an interval is allowed for: a day of 23 or 25 hours, a timer's random
    delay, a machine that was asleep until the morning.
    """
    if not runs:
        return []
    gap_ns = now_ns - runs[-1].started_ns
    if gap_ns < -CLOCK_BACK_SECONDS * NS_PER_SECOND:
        line = f"the clock went back by {-gap_ns / HOUR_NS:.1f} h since the last run"
        return [NewChange("clock", "", "", line, 70)]
    missed = math.ceil(gap_ns / HOUR_NS / every_hours - 0.5) - 1
    if missed < 1:
        return []
    times = "run is" if missed == 1 else "runs are"
    since = local_day(runs[-1].started_ns).strftime("%Y-%m-%d %H:%M")
    return [
        NewChange(
            "missed",
            "",
            "",
            f"{missed} {times} missing: none for {gap_ns / HOUR_NS:.0f} h, since {since}",
            70,
        )
    ]


def hours_without(runs: Iterable[StoredRun], now_ns: int) -> float:
    """Hours since the last run that judged something, or since the first run; 0 where the clock went back."""
    started = None
    for run in runs:
        if started is None or run.outcome in USABLE:
            started = run.started_ns
    return 0.0 if started is None else max(0.0, (now_ns - started) / HOUR_NS)


def stale_alarm(
    runs: Sequence[StoredRun], changes: Iterable[StoredChange], now_ns: int, stale_hours: float, reason: str
) -> list[NewChange]:
    """The alarm of its own that nothing usable was recorded for too long; again each week that it lasts."""
    hours = hours_without(runs, now_ns)
    if hours < stale_hours:
        return []
    last_usable = max((run.run for run in runs if run.outcome in USABLE), default=0)
    told = [one.started_ns for one in changes if one.kind == "stale" and one.run > last_usable]
    if told and 0 <= now_ns - max(told) < REMIND_HOURS * HOUR_NS:
        return []
    return [NewChange("stale", "", "", f"no usable recording for {hours:.0f} h: {reason}", 100)]


def usual_days(changes: Iterable[StoredChange], now_ns: int) -> frozenset[str]:
    """Devices that most of their remembered updates reached on tonight's day of the week."""
    today = local_day(now_ns).weekday()
    days: dict[str, Counter[int]] = {}
    for one in changes:
        if one.kind == "software":
            days.setdefault(one.device, Counter())[local_day(one.started_ns).weekday()] += 1
    return frozenset(
        device
        for device, counted in days.items()
        if counted[today] >= USUAL_DAY_UPDATES and counted[today] * 2 > counted.total()
    )
