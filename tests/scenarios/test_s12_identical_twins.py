"""
S12: two identical lights, and a link address beside the first one's.

Why: a prefix is registered to the maker of the network chip or module (IEEE registration authority), and one chip may use
several addresses, the universal one and the same with the local bit set (common practice): perhaps the same box, perhaps not.
"""

import pytest

from tests.household.home import LIGHT, TWIN, Host
from tests.household.messages import http_request, http_response
from tests.household.stories import ANNOUNCED
from tests.scenarios.support import controls, device, device_id, on_the_path, run

SIBLING = Host("set-up", "02:00:5e:00:53:21", "192.168.77.99")


def story(recording):
    recording.dhcp_lease(TWIN)
    for light in (LIGHT, TWIN):
        recording.mdns_announce(light, text=ANNOUNCED[:2])
    recording.arp(SIBLING, LIGHT)
    recording.http_exchange(
        Host("laptop", "00:00:5e:00:53:60", "192.168.77.60"),
        TWIN,
        http_request("POST", "/json/state", TWIN.ipv4, {"on": False}),
        http_response(200, {"success": True}),
    )


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(on_the_path(story), tmp_path, devices=(LIGHT.link, TWIN.link, SIBLING.link))


def test_twins_stay_two(document):
    assert device_id(document, LIGHT) != device_id(document, TWIN)
    assert device(document, LIGHT)["link_addresses"] == [LIGHT.link]
    assert TWIN.ipv4 in device(document, TWIN)["addresses"]


def test_what_one_did_is_not_told_of_the_other(document):
    assert controls(document, LIGHT, effect="light") == []
    assert [c["count"] for c in controls(document, TWIN, effect="light")] == [1]


def test_a_neighbouring_address_is_not_merged(document):
    assert device_id(document, SIBLING) not in {device_id(document, LIGHT), device_id(document, TWIN)}


def test_the_prefix_names_no_product(document):
    vendors = {device(document, light)["vendor"] for light in (LIGHT, TWIN)}

    assert len(vendors) == 1
    assert device(document, SIBLING)["vendor"] is None  # a locally administered address has no registrant
    assert all(d["nickname"] is None for d in document["devices"])
