"""
S01: a laptop's own Wi-Fi recording cannot hold the light's conversations.

Why: an infrastructure network hands a station only its own unicast and what is sent to everybody (IEEE 802.11, common
practice); an answer about the rest would be invented.
"""

import pytest

from tests.household.__main__ import CAPTURES
from tests.household.home import LIGHT
from tests.scenarios.support import (
    assert_calm,
    assert_honest,
    command,
    contacts,
    device,
    outcomes,
    run,
    text_of,
)

CAPTURE = CAPTURES / "laptop-on-wifi.pcapng"


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(CAPTURE, tmp_path_factory.mktemp("s01"))


def test_it_is_the_laptops_own_view(document):
    assert document["coverage"]["vantage"] == "own-host"
    assert "unicast-with-device" not in document["coverage"]["abilities"]
    assert "unicast-with-device" not in device(document, LIGHT)["abilities"]
    assert_honest(document)


def test_what_broadcast_tells_is_told(document):
    light = device(document, LIGHT)

    assert "192.168.77.21" in light["addresses"]
    assert any(name.startswith("shelf-light") for name in light["hostnames"])
    announced = [s for s in document["services"] if s["device_id"] == light["device_id"]]
    assert [(s["port"], s["state"]) for s in announced] == [(80, "announced")]


def test_every_gap_says_what_to_record_instead(document):
    gaps = document["coverage"]["could_not_see"]

    assert gaps
    assert all(gap["question"] and gap["reason"] and gap["record_next"] for gap in gaps)


@pytest.mark.parametrize(
    "rule",
    [
        "remote-contact",
        "remote-contact-in-clear-text",
        "remote-standing-connection",
        "controlled-through-cloud",
        "light-control-without-login",
        "configuration-without-login",
        "password-in-clear-text",
        "token-in-clear-text",
    ],
)
def test_what_unicast_would_have_shown_is_undetermined(document, rule):
    assert outcomes(document, rule, LIGHT) == {"undetermined"}


def test_silence_is_not_taken_for_absence(document):
    assert contacts(document, LIGHT) == []
    text = text_of(document)
    assert "no cloud contact" not in text
    assert "no open port" not in text
    assert_calm(document)


def test_the_command_says_that_it_cannot_judge():
    done = command("audit", CAPTURE)

    assert done.returncode == 3
    assert "nothing to do" not in done.stdout.lower()
