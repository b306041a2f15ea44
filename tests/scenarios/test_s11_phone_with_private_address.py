"""
S11: a phone with a random link address appears.

Why: the second lowest bit of the first octet marks a locally administered address (IEEE 802, RFC 9542 2.1); phones make a
new one for each network (RFC 9724), so that a new one is neither a new gadget nor a stranger.
"""

import pytest

from tests.household.home import LIGHT, PHONE, WEB
from tests.household.sessions import stored
from tests.household.stories import app_control
from tests.scenarios.support import assert_calm, device, findings, on_the_path, run


def story(recording):
    recording.dhcp_lease(PHONE, hostname="phone-of-a-guest")
    for moment in range(20, 260, 15):
        recording.at(moment)
        recording.dns_lookup(PHONE, WEB.name, [WEB.ipv4])
        recording.tls_session(PHONE, WEB, stored(WEB.name, "1.3"))
    recording.mdns_announce(LIGHT)
    app_control(recording, PHONE, LIGHT)


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(on_the_path(story), tmp_path, devices=())


def test_it_looks_like_a_phone_or_computer(document):
    phone = device(document, PHONE)

    assert phone["locally_administered"] is True
    assert {"phone", "computer"} & set(phone["roles"])
    assert device(document, LIGHT)["locally_administered"] is False


def test_it_is_no_candidate_for_the_new_light(document):
    assert device(document, PHONE)["lighting"]["rank"] == 0
    assert device(document, LIGHT)["lighting"]["rank"] == 1


def test_it_raises_no_alarm(document):
    assert findings(document, host=PHONE) == []
    assert_calm(document)
