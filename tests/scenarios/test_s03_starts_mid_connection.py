"""
S03: the recording begins while connections are already open.

Why: the name of a server travels in the first flight (RFC 6066 section 3) and the opener is told by the SYN alone
(RFC 9293 3.5); neither is in the file.
"""

import pytest

from tests.household.home import CLOUD, LIGHT, PHONE
from tests.household.messages import http_request, http_response
from tests.household.stories import sealed
from tests.scenarios.support import contacts, findings, on_the_path, outcomes, run, text_of


def story(recording):
    cloud = recording.connect(LIGHT, CLOUD, 443, begun=False)
    phone = recording.connect(PHONE, LIGHT, 80, begun=False)
    for moment in range(10, 280, 20):
        recording.at(moment)
        cloud.send(sealed(recording, 40))
        cloud.receive(sealed(recording, 40))
    phone.send(http_request("GET", "/json/state", LIGHT.ipv4))
    phone.receive(http_response(200, {"on": True}))


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(story), tmp_path_factory.mktemp("s03"))


def test_the_flow_is_listed_without_a_name(document):
    [cloud] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]
    assert (cloud["name"], cloud["name_source"]) == (None, "none")
    assert cloud["outcomes"] == {"mid-stream": 1}
    assert cloud["confidentiality"] != "clear"
    assert cloud["initiator"] != "remote"


def test_who_opened_it_is_not_called_proven(document):
    [phone] = [c for c in contacts(document, PHONE, remote=False) if c["port"] == 80]
    assert phone["initiator_known"] == "likely"


def test_a_missing_handshake_is_not_clear_text(document):
    assert findings(document, "remote-contact-in-clear-text", host=LIGHT) == []


def test_a_name_that_was_given_before_the_recording_is_not_missing(document):
    assert "found" not in outcomes(document, "remote-contact-without-name", LIGHT)
    assert any(word in text_of(document) for word in ("power", "plug", "restart"))
