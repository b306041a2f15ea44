"""Source: clock_gettime(2): CLOCK_BOOTTIME goes on during sleep, CLOCK_MONOTONIC does not; neither is set."""

from auditor.live.clocks import ClockWatch

SECOND = 1_000_000_000


class Clocks:
    def __init__(self):
        self.wall, self.running, self.awake = 1_700_000_000 * SECOND, 5000 * SECOND, 4000 * SECOND
        self.watch = ClockWatch(lambda: self.wall, lambda: self.running, lambda: self.awake)

    def go_on(self, seconds, *, asleep=False):
        self.wall += round(seconds * SECOND)
        self.running += round(seconds * SECOND)
        self.awake += 0 if asleep else round(seconds * SECOND)


def test_time_that_passes_is_no_change():
    clocks = Clocks()
    clocks.go_on(86_400)

    assert clocks.watch.changes() == []


def test_a_clock_that_was_set_is_told_once():
    clocks = Clocks()
    clocks.go_on(10)
    clocks.wall += 3600 * SECOND

    assert clocks.watch.changes() == ["the clock was set forward by 3600.0 seconds while recording"]
    assert clocks.watch.changes() == []
    clocks.wall -= 90 * SECOND
    assert clocks.watch.changes() == ["the clock was set back by 90.0 seconds while recording"]


def test_sleep_is_told_and_is_no_setting_of_the_clock():
    clocks = Clocks()
    clocks.go_on(1800, asleep=True)

    assert clocks.watch.changes() == ["this computer slept for 1800 seconds; nothing was recorded then"]


def test_slewing_is_no_change():
    clocks = Clocks()
    clocks.wall += SECOND // 2

    assert clocks.watch.changes() == []
