"""Pauses and encrypted frames from columns (IEEE 802.11-2020 9.2.4.1.9); scenario S02 and S10."""

import numpy as np

from auditor.addresses import parse_link
from auditor.inventory.survey import MIN_PAUSE_NS, Survey
from auditor.packets.batch import PROTECTED
from tests.unit.inventory.scenes import LIGHT, PHONE, START, Scene

SECOND = 10**9


class Columns:
    """The few columns that the survey reads."""

    def __init__(self, seconds, links=(LIGHT,), marks=0):
        count = len(seconds)
        words = [int.from_bytes(parse_link(links[n % len(links)]), "little") for n in range(count)]
        self.timestamp_ns = np.array([START + int(s * SECOND) for s in seconds], dtype=np.int64)
        self.marks = np.full(count, marks, dtype=np.uint8)
        self.capture_index = np.zeros(count, dtype=np.int64)
        self.source_link = np.array(words, dtype=np.uint64)
        self.original_length = np.full(count, 100, dtype=np.int64)
        self.payload_length = np.zeros(count, dtype=np.int64)  # encrypted frames show none

    def __len__(self):
        return len(self.timestamp_ns)


def test_a_long_pause_is_a_hole_wherever_the_batches_part():
    pause = MIN_PAUSE_NS // SECOND + 60
    seconds = [n / 10 for n in range(1000)] + [100 + pause + n / 10 for n in range(1000)]
    expected = ((START + int(99.9 * SECOND), START + (100 + pause) * SECOND),)
    for cut in (1, 999, 1000, 1001):
        survey = Survey()
        survey.add(Columns(seconds[:cut]))
        survey.add(Columns(seconds[cut:]))
        scene = Scene(seconds=int(seconds[-1]))
        assert survey.holes((scene.capture,)) == expected


def test_a_slow_recording_has_no_holes():
    survey = Survey()
    survey.add(Columns([n * 100 for n in range(50)]))
    assert survey.holes((Scene(seconds=4900).capture,)) == ()


def test_s02_encrypted_frames_are_counted_by_station_and_nothing_is_called_quiet():
    scene = Scene()
    scene.builder.observe_batch(Columns(range(10), links=(LIGHT, PHONE), marks=PROTECTED))
    inventory = scene.build()
    assert inventory.coverage.vantage == "wireless-encrypted"
    assert scene.builder.survey.protected_by_link() == {
        parse_link(LIGHT): (5, 500),
        parse_link(PHONE): (5, 500),
    }
    assert any("5 frames, 500 octets" in one.reason for one in inventory.coverage.could_not_see)
    assert inventory.coverage.abilities == ()
