"""
S31: searching the whole network is not the same as discovery.

Why: 254 questions by ARP (RFC 826) in three seconds and attempts at web ports go round the house door by door; one search to a
group (UPnP) and three answers is how things are found. A router that asks for its clients is at home.
"""

import pytest

from tests.builders import Recording
from tests.household.home import FILE_SERVER, HUB, LIGHT, ROUTER, SHOW_COMPUTER, TWIN, Host
from tests.household.messages import http_request, http_response
from tests.scenarios.support import findings, on_the_path, outcomes, run, text_of

RULE = "searches-the-network"
THERE = {host.ipv4: host for host in (ROUTER, FILE_SERVER, HUB, SHOW_COMPUTER, TWIN)}


def sweep(recording: Recording, sender: Host) -> None:
    start = recording.now_ns
    for last in range(1, 255):
        address = f"192.168.77.{last}"
        recording.now_ns = start + last * 12_000_000
        if address != sender.ipv4:
            recording.arp(sender, THERE.get(address, address))


def search(recording: Recording) -> None:
    sweep(recording, LIGHT)
    for host in (FILE_SERVER, HUB, SHOW_COMPUTER, TWIN):
        for port in (80, 445):
            recording.attempt(LIGHT, host, port, answer="reset")


def discovery(recording: Recording) -> None:
    recording.ssdp_search(LIGHT)
    recording.mdns_browse(LIGHT, "_services._dns-sd._udp")
    for host in (HUB, TWIN, FILE_SERVER):
        recording.arp(LIGHT, host)
        recording.http_exchange(
            LIGHT, host, http_request("GET", "/description", host.ipv4), http_response(200, {})
        )


def test_going_round_the_house_is_found_once(tmp_path):
    document = run(on_the_path(search), tmp_path)

    [finding] = findings(document, RULE, host=LIGHT)
    assert "25" in finding["summary"]  # 253 addresses besides its own


def test_discovery_is_not_the_same(tmp_path):
    document = run(on_the_path(discovery), tmp_path)

    assert outcomes(document, RULE, LIGHT) == {"not-found"}
    assert "searched your whole network" not in text_of(document)


@pytest.mark.parametrize("story", [lambda recording: sweep(recording, ROUTER)], ids=["router"])
def test_the_routers_own_questions_are_not_the_lights(tmp_path, story):
    document = run(on_the_path(story), tmp_path)

    assert outcomes(document, RULE, LIGHT) == {"not-found"}
