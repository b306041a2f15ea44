"""
S17: a day in which the light asks for the time and nothing else.

Why: asking a pool is how clocks are set (RFC 5905); whether the app would have gone through a cloud was never tried.
"""

import pytest

from tests.builders import Recording
from tests.household.home import LIGHT, TIME_SERVER
from tests.scenarios.support import assert_calm, at_least, contacts, findings, on_the_path, outcomes, run

DAY_SECONDS = 86_400
POLL_SECONDS = 1024  # RFC 5905 7.3: 2^10


def story(recording: Recording) -> None:
    for turn in range(DAY_SECONDS // POLL_SECONDS):
        recording.at(20 + turn * POLL_SECONDS)
        if turn % 20 == 0:
            recording.dns_lookup(LIGHT, TIME_SERVER.name, [TIME_SERVER.ipv4])
        recording.ntp(LIGHT, TIME_SERVER)


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(story, seconds=DAY_SECONDS), tmp_path_factory.mktemp("s17"))


def test_it_is_ordinary(document):
    [finding] = findings(document, "outside-time-server")

    assert finding["severity"] == "info"
    assert at_least(document, "medium") == []
    assert_calm(document)


def test_name_and_rhythm_are_told(document):
    [contact] = [c for c in contacts(document, LIGHT) if c["address"] == TIME_SERVER.ipv4]

    assert contact["name"] == TIME_SERVER.name
    assert contact["application_protocol"] == "ntp"
    assert contact["period"]["median_seconds"] == pytest.approx(POLL_SECONDS, abs=1)


def test_it_proves_nothing_about_a_cloud(document):
    assert outcomes(document, "controlled-through-cloud", LIGHT) == {"undetermined"}
