"""
Numbers of conversations: equal for both directions, the same in every run.

"Same input, same octets out" is the contract of every output (DEVELOPERS); the
recording holds so many conversations that slots are shared.
"""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from auditor import pipeline
from auditor.dissect.numbers import Numbers
from tests.household.__main__ import CAPTURES

ROOT = Path(__file__).parents[3]
FLOWS = 8_000


def batches(name):
    return pipeline.open_capture(CAPTURES / f"{name}.pcapng")


def numbers_of(name):
    batch = next(iter(batches(name)))
    rows = np.flatnonzero(batch.protocol == 6)
    return Numbers().of_packets(batch, rows), batch, rows


def test_both_directions_have_one_number_and_differ_in_direction():
    (numbers, forward), batch, rows = numbers_of("good-vantage")
    ends = {}
    for row, number, way in zip(rows.tolist(), numbers.tolist(), forward.tolist(), strict=True):
        source = (int(batch.source_high[row]), int(batch.source_low[row]), int(batch.source_port[row]))
        other = (
            int(batch.destination_high[row]),
            int(batch.destination_low[row]),
            int(batch.destination_port[row]),
        )
        known = ends.setdefault(frozenset((source, other)), (number, source if way else other))
        assert known == (number, source if way else other)
    assert len({number for number, _ in ends.values()}) == len(ends)


def test_another_recording_has_other_multipliers():
    (first, _), _, _ = numbers_of("good-vantage")
    (same, _), _, _ = numbers_of("good-vantage")
    (other, _), _, _ = numbers_of("everything-speaks")
    assert first.tolist() == same.tolist()
    assert set(first.tolist()).isdisjoint(other.tolist())


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    path = tmp_path_factory.mktemp("crowd") / "crowd.pcap"
    command = [sys.executable, "-m", "tests.benchmarks.recordings", "60000", str(FLOWS), str(path)]
    subprocess.run(command, check=True, cwd=ROOT)
    return path


def test_a_crowded_recording_gives_the_same_octets_each_time(crowded):
    reports = {pipeline.audit([crowded]).to_json() for _ in range(3)}
    assert len(reports) == 1
