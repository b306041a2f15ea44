"""
S04: several devices behind one repeater that answers for all of them with its own link address.

Why: a repeater without four-address frames must put its own address on what it forwards (IEEE 802.11-2020 section
9.3.2.1; common practice of cheap repeaters), so that a link address is no identity; a lease carries the client's own
hardware address and identifier (RFC 2131 section 2, RFC 2132 section 9.14), an announcement the host's name (RFC 6762).
"""

import pytest

from tests.household.home import PHONE, Host
from tests.household.messages import http_request, http_response
from tests.scenarios.support import FRIGHT, on_the_path, run

REPEATER = "00:00:5e:00:53:70"
NAMES = ("shelf-light", "corner-lamp", "door-bell", "plant-pump", "wall-clock")
BEHIND = [Host(name, REPEATER, f"192.168.77.{80 + place}") for place, name in enumerate(NAMES)]


def story(recording):
    for host in BEHIND:
        recording.mdns_announce(host)
        recording.arp(host, PHONE)
    recording.http_exchange(
        PHONE,
        BEHIND[0],
        http_request("POST", "/json/state", BEHIND[0].ipv4, {"on": True}),
        http_response(200, {"success": True}),
    )


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(
        on_the_path(story), tmp_path_factory.mktemp("scenario"), devices=[host.ipv4 for host in BEHIND]
    )


def test_five_devices_and_not_one(document):
    found = {
        device["device_id"]: device for device in document["devices"] if REPEATER in device["link_addresses"]
    }

    assert len(found) == len(BEHIND)
    assert sorted(address for device in found.values() for address in device["addresses"]) == sorted(
        host.ipv4 for host in BEHIND
    )
    assert sorted(
        name.removesuffix(".local") for device in found.values() for name in device["hostnames"]
    ) == sorted(NAMES)


def test_what_one_allows_is_not_told_of_the_others(document):
    [finding] = [f for f in document["findings"] if f["rule_id"] == "light-control-without-login"]
    [owner] = [device for device in document["devices"] if device["device_id"] == finding["device_id"]]

    assert owner["addresses"] == [BEHIND[0].ipv4]


def test_shared_link_address_is_no_alarm(document):
    assert "spoof" not in str(document).lower()
    assert not [word for word in FRIGHT if word in str(document["findings"]).lower()]
