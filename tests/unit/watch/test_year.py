"""
A year of nights: every planted change told on its night, next to nothing else, missed nights told, the store small.

Source: issue "before and after the audit", its section "shown when done" (no more than one unprovoked line a month, store
below 20 MB); needs section 2(f) for what must not count (CDN addresses, private addresses, retry storms, update days).
The recordings are real files that the whole audit reads; only the clock is the test's.
"""

import functools
import re
from dataclasses import replace

import pytest

import auditor.pipeline as pipeline
from auditor.ruleset.loader import load_rules
from auditor.store.database import STORE_NAME
from auditor.watch.strip import nights
from tests.household.nights import DAY_NS, Evening, vary
from tests.unit.watch.support import Watch

pytestmark = [pytest.mark.xdist_group("watch-year"), pytest.mark.timeout(1_200)]

NIGHTS = 365
MISSED = {205, 206}
UNUSABLE = {230, 231}
PLANTS = {
    30: ({"version": "0.14.2"}, r"shelf light: software changed 0\.14\.1 -> 0\.14\.2"),
    60: ({"gadget": True}, r"new device: "),
    90: (
        {"telemetry": "numbers.tally.example"},
        r"shelf light: new contact numbers\.tally\.example \(tcp 8443\)",
    ),
    120: ({"open_port": 8081}, r"shelf light: newly open service tcp 8081"),
    150: ({"clear_cloud": True}, r"shelf light: newly in clear text: cloud\.shelf-light\.example"),
    180: ({"login": True}, r"shelf light: medium password-in-clear-text"),
    260: (
        {"hub_refuses": True},
        r"no longer answered: shelf light to .*, tcp 8080 \(lost wish: light-follows-hub\)",
    ),
    # The contact whose octets nobody can read ends too: beside it no absence of a password could be told.
    290: ({"hub_refuses": False, "telemetry": None}, r"answered again: shelf light to .*, tcp 8080"),
    320: ({"login": False}, r"no longer found: medium password-in-clear-text"),
    340: ({"version": "0.15.0"}, r"software changed 0\.14\.2 -> 0\.15\.0"),
}


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """Lines by night, and the watch."""
    patch = pytest.MonkeyPatch()
    # Reading the bundled rules takes half of each audit, and they are the same all year.
    patch.setattr(pipeline, "load_rules", functools.cache(lambda folders: load_rules(list(folders))))
    original = pipeline.load_rules
    patch.setattr(pipeline, "load_rules", lambda folders: original(tuple(folders)))
    watch = Watch(tmp_path_factory.mktemp("year"))
    evening, told, states = Evening(), {}, {}
    for number in range(NIGHTS):
        if number in PLANTS:
            evening = replace(evening, **PLANTS[number][0])
        if number in MISSED:
            watch.now_ns += DAY_NS
            continue
        if number in UNUSABLE:
            watch.put(vary(evening, number)).write_bytes(b"not a recording at all")
            result = watch.run()
            watch.now_ns += DAY_NS
        else:
            result = watch.night(vary(evening, number))
        told[number], states[number] = list(result.lines), result.could_not_judge
    yield watch, told, states
    patch.undo()


@pytest.mark.parametrize("number", sorted(PLANTS))
def test_planted_change_is_told_on_its_night(year, number):
    _, told, _ = year

    assert any(re.search(PLANTS[number][1], line) for line in told[number]), told[number]


def test_missed_nights_are_told(year):
    _, told, _ = year

    assert any("2 runs are missing" in line for line in told[max(MISSED) + 1]), told[max(MISSED) + 1]


def test_nights_without_a_usable_recording_are_an_alarm_of_their_own(year):
    _, told, states = year

    assert states[230] is not None
    assert states[231] is not None
    assert [line for line in told[231] if line.startswith("no usable recording for 48 h")]


def test_at_most_one_unprovoked_line_a_month(year):
    _, told, _ = year
    provoked = {*PLANTS, *UNUSABLE, max(MISSED) + 1, min(UNUSABLE) + len(UNUSABLE)}
    others = {number: lines for number, lines in told.items() if lines and number not in provoked}

    for month in range(0, NIGHTS, 30):
        lines = [line for number in others if month <= number < month + 30 for line in others[number]]
        assert len(lines) <= 1, lines


def test_nothing_is_told_beside_what_was_planted(year):
    """Two lines may follow a plant: the finding that goes with a new contact, say."""
    _, told, _ = year

    for number in PLANTS:
        assert len(told[number]) <= 3, told[number]
    assert all(len(lines) <= 5 for lines in told.values())


def test_the_store_stays_small(year):
    watch, _, _ = year

    octets = sum(path.stat().st_size for path in watch.store.iterdir())
    assert octets < 20_000_000
    assert (watch.store / STORE_NAME).stat().st_size > 100_000  # it does keep the year


def test_the_strip_has_a_cell_for_each_night(year):
    watch, told, _ = year
    with watch.history() as history:
        cells = nights(history.runs(), watch.now_ns)
        assert history.judged_nights() == NIGHTS - len(MISSED) - len(UNUSABLE)

    assert len(cells) == NIGHTS
    words = [word for _, word in cells]
    assert [number for number, word in enumerate(words) if word == "did not run"] == sorted(MISSED)
    assert [number for number, word in enumerate(words) if word == "could not judge"] == sorted(UNUSABLE)
    changed = {number for number, lines in told.items() if lines and number not in UNUSABLE}
    assert {number for number, word in enumerate(words) if word == "changed"} <= changed
