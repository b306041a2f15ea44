"""
S25: a log of announcements without any conversation.

Why: an announcement says what is offered (RFC 6763), not that a port answers or asks for a password; a time to live of 0 takes
it back (RFC 6762 10.1).
"""

import pytest

from tests.builders import Recording
from tests.household.home import HUB, LIGHT, PHONE
from tests.household.stories import ANNOUNCED
from tests.scenarios.support import command, contacts, device_id, findings, outcomes, run, text_of


def log(*, goodbye: bool = False, relayed: bool = False) -> Recording:
    recording = Recording()
    for moment in range(0, 300, 60):
        recording.at(moment)
        recording.mdns_announce(LIGHT, text=ANNOUNCED, relayed=relayed)
        recording.mdns_announce(HUB, "_hap._tcp", 8080, ("md=hub",))
        recording.mdns_browse(PHONE)
    if goodbye:
        recording.at(299)
        recording.mdns_announce(LIGHT, text=ANNOUNCED, goodbye=True)
    return recording


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(log(), tmp_path)


def test_what_was_announced_is_told(document):
    mine = [s for s in document["services"] if s["device_id"] == device_id(document, LIGHT)]

    assert [(s["transport"], s["port"], s["state"]) for s in mine] == [("tcp", 80, "announced")]
    assert outcomes(document, "version-disclosed", LIGHT) == {"found"}
    assert outcomes(document, "hardware-address-disclosed", LIGHT) == {"found"}


def test_an_announcement_is_no_open_port(document):
    text = text_of(document)

    assert document["coverage"]["vantage"] in {"announcements-only", "multicast-only"}
    assert contacts(document, LIGHT) == []
    assert findings(document, "light-control-without-login", "service-unused", host=LIGHT) == []
    assert outcomes(document, "light-control-without-login", LIGHT) == {"undetermined"}
    assert "port open" not in text
    assert "no password" not in text


def test_a_goodbye_keeps_what_was_disclosed(tmp_path):
    document = run(log(goodbye=True), tmp_path)

    assert outcomes(document, "version-disclosed", LIGHT) == {"found"}


def test_a_relayed_copy_is_still_the_light(tmp_path):
    document = run(log(relayed=True), tmp_path, devices=())

    named = [d for d in document["devices"] if any(n.startswith("shelf-light") for n in d["hostnames"])]
    assert len(named) == 1


def test_the_command_cannot_judge(tmp_path):
    assert command("audit", log().write(tmp_path / "log.pcapng")).returncode == 3
