"""
Notice that the clock was set, or that the machine slept, while recording.

Source: clock_gettime(2): CLOCK_BOOTTIME goes on while the machine is suspended, CLOCK_MONOTONIC does not
        (Linux); the time of day steps when it is set.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from auditor.units import NS_PER_SECOND

STEP_NS = NS_PER_SECOND
"""Smaller steps are the work of a time service that slews the clock, and move no packet to another place."""


def _running_ns() -> int:
    """Time since the start, sleep included where the system tells it."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if boot is None else time.clock_gettime_ns(boot)


class ClockWatch:
    """Compares the clocks at every call."""

    def __init__(
        self,
        wall_ns: Callable[[], int] = time.time_ns,
        running_ns: Callable[[], int] = _running_ns,
        awake_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._wall_ns, self._running_ns, self._awake_ns = wall_ns, running_ns, awake_ns
        self._set = self._wall_ns() - self._running_ns()
        self._slept = self._running_ns() - self._awake_ns()

    def changes(self) -> list[str]:
        """One line for each change since the last call."""
        lines = []
        running = self._running_ns()
        wall_offset, slept = self._wall_ns() - running, running - self._awake_ns()
        if slept - self._slept >= STEP_NS:
            seconds = (slept - self._slept) / NS_PER_SECOND
            lines.append(f"this computer slept for {seconds:.0f} seconds; nothing was recorded then")
            self._slept = slept
        if abs(wall_offset - self._set) >= STEP_NS:
            seconds = (wall_offset - self._set) / NS_PER_SECOND
            way = "forward" if seconds > 0 else "back"
            lines.append(f"the clock was set {way} by {abs(seconds):.1f} seconds while recording")
            self._set = wall_offset
        return lines
