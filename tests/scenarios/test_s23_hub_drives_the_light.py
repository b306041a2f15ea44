"""
S23: the hub searches and drives the light.

Why: the hub opens the connection, so the rule is hub to light; a search goes to a group (UPnP Device Architecture 1.3.2)
and needs the same segment.
"""

import pytest

from tests.household.home import HUB, LIGHT
from tests.household.messages import http_request, http_response
from tests.scenarios.support import assert_calm, contacts, controls, device_id, findings, on_the_path, run

HOME = """\
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
keep:
  - {wish: hub-controls-light, from: hub, to: shelf light}
"""


def story(recording):
    for moment in (30, 90):
        recording.at(moment)
        recording.ssdp_search(HUB)
        request = http_request("POST", "/json/state", LIGHT.ipv4, {"on": True, "bri": 10})
        recording.http_exchange(HUB, LIGHT, request, http_response(200, {"success": True}))


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(on_the_path(story), tmp_path, home=HOME)


def test_the_hub_is_the_initiator(document):
    [row] = controls(document, LIGHT, effect="light")

    assert (row["from_id"], row["count"], row["authentication"]) == (device_id(document, HUB), 2, "none")
    mine = [c for c in contacts(document, HUB, remote=False) if c["port"] == 80]
    assert [(c["peer_id"], c["initiator_known"]) for c in mine] == [(device_id(document, LIGHT), "proven")]


def test_its_search_is_seen_where_it_is_asked_for(tmp_path):
    document = run(on_the_path(story), tmp_path, devices=(LIGHT.link, HUB.link), home=HOME)
    searches = [c for c in contacts(document, HUB, remote=False) if c["port"] == 1900]

    assert [c["peer_id"] for c in searches] == ["group:239.255.255.250"]


def test_whoever_shares_the_segment_could_do_it_too(document):
    [finding] = findings(document, "light-control-without-login", host=LIGHT)

    assert finding["severity"] == "medium"
    assert_calm(document)
