"""
The shipped recordings lead to what ``captures/README.md`` promises.

Source: the stories in ``tests/household/stories.py``, which say who did what; their octets are read by others in
``tests/unit/household``.
"""

import json

import pytest

from tests.household.__main__ import CAPTURES
from tests.household.home import CLOUD, HUB, LIGHT, MOVED_LIGHT, TIME_SERVER, TWIN, WEB
from tests.household.stories import HOME_FILE, HUB_TOKEN, LOGIN
from tests.scenarios.support import (
    assert_calm,
    assert_honest,
    command,
    contacts,
    device_id,
    findings,
    outcomes,
    run,
)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    return run(CAPTURES / "good-vantage.pcapng", tmp_path_factory.mktemp("good"), home=HOME_FILE)


@pytest.mark.parametrize(
    ("rule", "severity"),
    [
        ("light-control-without-login", "medium"),
        ("configuration-without-login", "high"),
        ("state-readable-without-login", "info"),
        ("password-in-clear-text", "medium"),
        ("token-in-clear-text", "medium"),
        ("remote-standing-connection", "info"),
        ("outside-time-server", "info"),
        ("polls-another-device", "info"),
        ("version-disclosed", "info"),
        ("hardware-address-disclosed", "info"),
    ],
)
def test_the_good_vantage_shows(good, rule, severity):
    found = findings(good, rule, host=LIGHT) or findings(good, rule, host=HUB)

    assert {f["severity"] for f in found} == {severity}


@pytest.mark.parametrize(
    "rule", ["service-reached-from-internet", "remote-contact-in-clear-text", "searches-the-network"]
)
def test_the_good_vantage_could_have_shown(good, rule):
    assert outcomes(good, rule, LIGHT) == {"not-found"}


def test_the_good_vantage_is_on_the_path_and_its_calls_have_names(good):
    assert good["coverage"]["vantage"] == "on-path"
    assert CLOUD.name in {c["name"] for c in contacts(good, LIGHT)}
    assert_honest(good)
    assert_calm(good)


def test_every_finding_names_packets_that_are_there(good):
    packets = good["captures"][0]["packets"]

    numbers = [e["packet"] for f in good["findings"] for e in f["evidence"]]
    assert numbers
    assert all(1 <= number <= packets for number in numbers)


@pytest.mark.parametrize("form", ["json", "text", "text --all", "markdown"])
def test_neither_secrets_nor_the_laptops_evening_are_told(tmp_path, form):
    home = tmp_path / "home.yaml"
    home.write_text(HOME_FILE, "utf-8")

    done = command("audit", CAPTURES / "good-vantage.pcapng", "--home", home, "--format", *form.split())

    assert done.returncode == 1
    for private in (HUB_TOKEN, LOGIN[1], WEB.name, WEB.ipv4, "phone-of-a-guest"):
        assert private not in done.stdout + done.stderr


def test_the_twins_findings_are_not_the_lights(good):
    """The home file names one light; the twin announces itself like one and is judged for itself."""
    twin = device_id(good, TWIN)

    assert {f["rule_id"] for f in good["findings"] if f["device_id"] == twin} & {
        "light-control-without-login",
        "configuration-without-login",
        "password-in-clear-text",
        "remote-standing-connection",
    } == set()


def test_after_isolation_the_clock_and_the_poll_still_work_and_the_cloud_is_tried_in_vain(tmp_path):
    document = run(CAPTURES / "after-isolation.pcapng", tmp_path)

    outcomes_by_name = {c["name"]: set(c["outcomes"]) for c in contacts(document, MOVED_LIGHT)}
    assert outcomes_by_name[TIME_SERVER.name] == {"established"}
    assert outcomes_by_name[CLOUD.name] == {"unanswered"}
    assert outcomes(document, "remote-standing-connection", MOVED_LIGHT) == {"not-found"}
    assert findings(document, "polls-another-device", host=MOVED_LIGHT)
    assert outcomes(document, "service-reached-from-internet", MOVED_LIGHT) == {"not-found"}


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("good-vantage", 1),
        ("hub-polling", 1),
        ("after-isolation", 1),
        ("laptop-on-wifi", 3),
        ("quiet-and-good", 0),
    ],
)
def test_exit_status(name, status):
    done = command("audit", CAPTURES / f"{name}.pcapng", "--device", LIGHT.link, "--format", "json")

    assert done.returncode == status
    assert json.loads(done.stdout)["schema_version"] == 1
