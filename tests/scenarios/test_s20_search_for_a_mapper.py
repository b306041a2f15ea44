"""
S20 c: the search for a router that maps ports is seen, and nothing of what was asked of it.

Why: the search goes to a group (UPnP Device Architecture 1.3.2), the request itself to the router alone; NAT-PMP renews at half of
7200 s (RFC 6886 section 3.3), so that a short file is no proof of none.
"""

import pytest

from tests.builders import Recording
from tests.household.home import LAPTOP, LIGHT
from tests.household.stories import join
from tests.scenarios.support import assert_calm, contacts, findings, on_the_path, run

DEVICE = "urn:schemas-upnp-org:device:InternetGatewayDevice:1"


@pytest.fixture(scope="module", params=["on-path", "own-host"])
def document(request, tmp_path_factory):
    def search(recording):
        recording.at(40)
        recording.ssdp_search(LIGHT, DEVICE)

    if request.param == "on-path":
        recording = on_the_path(search)
    else:
        recording = Recording(vantage="own-host", recorder=LAPTOP)
        join(recording, LIGHT)
        search(recording)
        recording.arp(LAPTOP, recording.segment.router)
    return run(recording, tmp_path_factory.mktemp("s20"))


def test_the_search_is_a_contact_with_a_group(document):
    assert [c["peer_id"] for c in contacts(document, LIGHT, remote=False) if c["port"] == 1900] == [
        "group:239.255.255.250"
    ]


def test_a_search_is_no_mapping(document):
    assert findings(document, "port-mapping-granted", "port-mapping-refused") == []
    assert "reachable from the internet" not in str(document["findings"])
    assert_calm(document)
