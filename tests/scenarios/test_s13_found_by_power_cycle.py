"""
S13: the new device is found because it joined when the user plugged it in.

Why: a joining host asks for a lease (RFC 2131 3.1), probes its address (RFC 5227 2.1.1) and its name (RFC 6762 8.1).
"""

import re

import pytest

from tests.builders import Recording
from tests.household import octets
from tests.household.home import CLOUD, LAPTOP, LIGHT, ROUTER, TWIN, WEB
from tests.household.sessions import stored
from tests.household.stories import join
from tests.scenarios.support import device, run

HOME = """\
actions:
  - {at: "2026-03-14T19:02:00Z", what: power-on}
"""


def power_cycled() -> Recording:
    """The twin talks all the time; the other one joins at two minutes."""
    recording = Recording()
    recording.arp(LAPTOP, ROUTER)
    for moment in range(5, 300, 5):
        recording.at(moment)
        recording.dns_lookup(TWIN, CLOUD.name, [CLOUD.ipv4])
        recording.tls_session(TWIN, CLOUD, stored(CLOUD.name))
    for moment in (10, 200):
        recording.at(moment)
        recording.mdns_announce(TWIN)
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
    recording.at(121)
    join(recording, LIGHT)
    return recording


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(power_cycled(), tmp_path, devices=(), home=HOME)


def test_the_one_that_joined_comes_first(document):
    assert device(document, LIGHT)["lighting"]["rank"] == 1
    assert device(document, TWIN)["lighting"]["rank"] != 1


def test_the_reason_names_the_packet(document):
    reasons = " ".join(device(document, LIGHT)["lighting"]["reasons"])
    joining = {
        str(number)
        for number, packet in enumerate(power_cycled().captured(), 1)
        if packet.octets[6:12] == octets.link(LIGHT.link)
    }

    assert joining & set(re.findall(r"\d+", reasons))


def test_it_is_not_called_certain(document):
    assert device(document, LIGHT)["lighting"]["confidence"] in {"likely", "perhaps"}
