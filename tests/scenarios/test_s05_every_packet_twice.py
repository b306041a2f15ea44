"""
S05: a mirror of both directions, or of both sides of a router, records every packet twice.

Why: a port that copies two ports both ways sees each forwarded frame twice (switch manuals, common practice); the
identification of an IPv4 packet and the sequence number stay (RFC 6864, RFC 9293), the hop limit and the tag need not.
"""

import struct

import pytest

from tests.builders import Frame, Recording
from tests.household.home import HUB, LIGHT, LIGHTS, MOVED_LIGHT
from tests.household.stories import hub_poll, join
from tests.scenarios.support import capture_issues, contacts, device_id, findings, on_the_path, run, text_of

POLLS = 20
COPY_DELAY_NS = 60_000


def polling(recording):
    hub_poll(recording, LIGHT, token=True, count=POLLS, start=20)


def tagged_copies(recording):
    """The second copy carries an 802.1Q tag."""
    copies = [
        Frame(f.time_ns + COPY_DELAY_NS, f.octets[:12] + struct.pack("!HH", 0x8100, 20) + f.octets[12:])
        for f in recording.frames
    ]
    recording.frames += copies
    return recording


def facts_of(document):
    [poll] = [c for c in contacts(document, LIGHT, remote=False) if c["port"] == 8080]
    return (
        poll["flows"],
        poll["period"],
        poll["outcomes"],
        [(c["operation"], c["count"]) for c in document["controls"]],
        [f["rule_id"] for f in document["findings"]],
    )


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    return run(on_the_path(polling), tmp_path_factory.mktemp("once"))


def test_identical_copies_change_no_count(tmp_path, once):
    twice = run(on_the_path(polling), tmp_path, copies=2)

    assert facts_of(twice) == facts_of(once)
    assert "duplicates" in capture_issues(twice)
    assert "duplicates" not in capture_issues(once)


def test_copies_with_a_tag_change_no_count(tmp_path, once):
    twice = run(tagged_copies(on_the_path(polling)), tmp_path)

    assert facts_of(twice) == facts_of(once)
    assert "duplicates" in capture_issues(twice)


def test_both_sides_of_the_router_are_one_poll_a_second(tmp_path):
    """The routed copy has other link addresses and a hop limit less one."""
    sides = [Recording(segment=LIGHTS), Recording()]
    for side in sides:
        # The poll first: the identifications of its packets are the same on both sides.
        hub_poll(side, MOVED_LIGHT, token=False, count=POLLS, start=20)
        side.at(0)
        join(side, MOVED_LIGHT if side is sides[0] else HUB)
    for side in sides:
        for frame in side.frames:
            routed = frame.octets[12:14] == b"\x08\x00" and frame.octets[23] == 6 and frame.octets[22] < 64
            frame.time_ns += COPY_DELAY_NS if routed else 0
    sides[0].frames += sides[1].frames

    document = run(sides[0], tmp_path)

    polls = [c for c in contacts(document, MOVED_LIGHT, remote=False) if c["port"] == 8080]
    assert [c["flows"] for c in polls] == [POLLS]
    assert polls[0]["peer_id"] == device_id(document, HUB)
    assert polls[0]["period"]["median_seconds"] == pytest.approx(1.0, abs=0.01)
    assert "duplicates" in capture_issues(document)


def test_copies_are_not_called_retransmissions(tmp_path):
    document = run(on_the_path(polling), tmp_path, copies=2)

    assert "retransmi" not in text_of(document)
    assert len(findings(document, "token-in-clear-text")) == 1
