"""
S10: a capture filter, holes between ring files, a clock that jumps.

Why: the interface description says what the filter let pass (pcapng draft, if_filter); what it held back was never a
candidate for "not seen".
"""

import random

import pytest

from tests.builders import Recording
from tests.household.home import LIGHT, ROUTER, TIME_SERVER
from tests.household.stories import good_vantage
from tests.scenarios.support import (
    assert_honest,
    capture_issues,
    cloud_session,
    contacts,
    on_the_path,
    outcomes,
    run,
)

HOLE_SECONDS = 40 * 60


def only_443(recording: Recording) -> Recording:
    recording.frames = [
        f
        for f in recording.frames
        if f.octets[12:14] == b"\x08\x00" and (443).to_bytes(2) in {f.octets[34:36], f.octets[36:38]}
    ]
    return recording


@pytest.mark.parametrize(
    "rule", ["resolver-not-offered", "outside-time-server", "light-control-without-login"]
)
def test_a_negative_reaches_only_as_far_as_the_filter(tmp_path, rule):
    document = run(only_443(good_vantage()), tmp_path, filter_text="port 443")

    assert "filtered" in capture_issues(document)
    assert outcomes(document, rule, LIGHT) == {"undetermined"}
    assert_honest(document)


def ring(folder, hole_seconds):
    paths = []
    for number in range(3):
        recording = on_the_path(cloud_session, seconds=120, seed=number)
        recording.at(60)
        recording.ntp(LIGHT, TIME_SERVER)
        moved = number * 120 + (hole_seconds if number == 2 else 0)
        for frame in recording.frames:
            frame.time_ns += moved * 1_000_000_000
        paths.append(recording.write(folder / f"ring-{number}.pcapng"))
    return paths


def test_ring_files_in_any_order_are_one_recording(tmp_path):
    paths = ring(tmp_path, 0)
    in_order = run(paths, tmp_path)
    random.Random(10).shuffle(paths)
    shuffled = run(paths, tmp_path)

    assert in_order["coverage"]["duration_seconds"] == pytest.approx(360, abs=10)
    assert in_order["remote_contacts"] == shuffled["remote_contacts"]
    assert "hole" not in capture_issues(in_order)


def test_a_hole_between_files_is_said(tmp_path):
    """No file has the hole, so that it stands with what could not be seen."""
    document = run(ring(tmp_path, HOLE_SECONDS), tmp_path)

    gaps = [gap for gap in document["coverage"]["could_not_see"] if "19:44:00" in gap["question"]]
    assert [gap["reason"] for gap in gaps] == ["nothing was recorded in that time"]
    [time] = [c for c in contacts(document, LIGHT) if c["address"] == TIME_SERVER.ipv4]
    assert time["flows"] == 3


def test_a_hole_inside_a_file_is_said(tmp_path):
    recording = on_the_path(cloud_session)
    for frame in recording.frames:
        frame.time_ns += (
            HOLE_SECONDS * 1_000_000_000 if frame.time_ns > recording.start_ns + 200 * 10**9 else 0
        )
    for turn in range(120):  # a steady rhythm before and after, so that silence is not how this network is
        for start in (12 + turn, HOLE_SECONDS + 260 + turn):
            recording.at(start)
            recording.arp(LIGHT, ROUTER)

    assert "hole" in capture_issues(run(recording, tmp_path))


def test_a_clock_that_jumps_back_is_said(tmp_path):
    recording = on_the_path(cloud_session)
    frames = sorted(recording.frames, key=lambda f: f.time_ns)
    for frame in frames[len(frames) // 2 :]:
        frame.time_ns -= 3600 * 1_000_000_000
    recording.frames = frames
    recording.keep_order = True

    assert "clock" in capture_issues(run(recording, tmp_path))
