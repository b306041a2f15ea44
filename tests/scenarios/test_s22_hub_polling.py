"""
S22: the controller asks the hub every 1000 ms, with a token in the URL.

Why: who sends the SYN opened the connection (RFC 9293 3.5) and decides the router's rule; a token in a URL is readable to
everybody in the segment (RFC 6750 section 5.3).
"""

import json

import pytest

from tests.household.__main__ import CAPTURES
from tests.household.home import HUB, LIGHT
from tests.household.stories import HUB_TOKEN
from tests.scenarios.support import (
    assert_calm,
    command,
    contacts,
    controls,
    device,
    device_id,
    findings,
    run,
    text_of,
)

CAPTURE = CAPTURES / "hub-polling.pcapng"
HOME = """\
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
keep:
  - {wish: light-follows-hub, from: shelf light, to: hub}
"""


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(CAPTURE, tmp_path_factory.mktemp("s22"), home=HOME)


def test_the_light_opens_the_connections(document):
    [poll] = [c for c in contacts(document, LIGHT, remote=False) if c["port"] == 8080]

    assert poll["peer_id"] == device_id(document, HUB)
    assert poll["initiator_known"] == "proven"
    assert poll["flows"] == 180
    assert poll["outcomes"] == {"established": 180}
    assert [
        c for c in contacts(document, HUB, remote=False) if c["peer_id"] == device_id(document, LIGHT)
    ] == []


def test_the_period_is_one_second(document):
    [poll] = [c for c in contacts(document, LIGHT, remote=False) if c["port"] == 8080]

    assert poll["period"]["count"] == 180
    assert poll["period"]["median_seconds"] == pytest.approx(1.0, abs=0.005)
    assert 0 < poll["period"]["jitter_seconds"] < 0.024  # starts were shaken by up to 12 ms each way


def test_the_requests_are_counted_once(document):
    rows = controls(document, HUB, effect="read")

    assert sum(row["count"] for row in rows) == 180
    assert {row["from_id"] for row in rows} == {device_id(document, LIGHT)}


def test_one_finding_for_the_poll_and_one_for_the_token(document):
    [poll] = findings(document, "polls-another-device")
    [token] = findings(document, "token-in-clear-text")

    assert poll["severity"] == "info"
    assert token["severity"] == "medium"
    assert len(document["findings"]) < 12


@pytest.mark.parametrize("form", ["json", "text", "text --all", "markdown"])
def test_the_token_is_in_no_output(form):
    done = command("audit", CAPTURE, "--device", LIGHT.link, "--format", *form.split(), "--reveal")

    assert "token" in done.stdout.lower()
    assert HUB_TOKEN not in done.stdout + done.stderr
    assert HUB_TOKEN[:12] not in done.stdout + done.stderr


def test_a_wished_rhythm_is_no_fright(document):
    assert_calm(document)
    assert "flood" not in text_of(document)
    assert HUB_TOKEN not in json.dumps(document)


def test_without_a_home_file_the_hub_is_no_light(tmp_path):
    """It answers with the state of lights because it serves several, each under a number."""
    document = run(CAPTURES / "hub-polling.pcapng", tmp_path, devices=())

    assert device(document, HUB)["roles"] == ["hub"]
    assert [d["device_id"] for d in document["devices"] if d["is_chosen"]] == [device_id(document, LIGHT)]
    [token] = findings(document, "token-in-clear-text")
    assert token["device_id"] == device_id(document, LIGHT)
