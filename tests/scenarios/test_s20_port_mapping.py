"""
S20: the device asks the router for a way in.

Why: a mapping is made when the answer says success (RFC 6886 section 3.3, RFC 6887 section 7.4, a UPnP action without a
fault); the multicast search alone opens nothing (UPnP Device Architecture 2.0 section 1.3, from memory).  A client renews
at half of the recommended 7200 s (RFC 6886 section 3.3), so that a short recording is no proof of none.
"""

import pytest

from tests.builders import Recording
from tests.household import gadget_messages as gadget
from tests.household.home import LAPTOP, LIGHT, ROUTER
from tests.household.messages import http_request, http_response
from tests.scenarios.support import assert_calm, assert_honest, findings, on_the_path, outcomes, run, text_of

SEARCH = "urn:schemas-upnp-org:device:InternetGatewayDevice:1"
ACTION = '"urn:schemas-upnp-org:service:WANIPConnection:1#AddPortMapping"'
FAULT = (
    b'<?xml version="1.0"?><s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/"><s:Body><s:Fault>'
    b'<detail><UPnPError xmlns="urn:schemas-upnp-org:control-1-0"><errorCode>606</errorCode></UPnPError></detail>'
    b"</s:Fault></s:Body></s:Envelope>"
)  # 606: action not authorized
RULES = ("port-mapping-granted", "port-mapping-refused", "router-searched-for-mapping")


def by_upnp(*, granted):
    def story(recording):
        recording.ssdp_search(LIGHT, SEARCH)
        asked, answered = gadget.soap_add_mapping(40_080, 80, LIGHT.ipv4)
        request = http_request(
            "POST", "/control/wan", ROUTER.ipv4, asked, SOAPAction=ACTION, Content_Type="text/xml"
        )
        reply = http_response(200, answered) if granted else http_response(500, FAULT)
        recording.http_exchange(LIGHT, ROUTER, request, reply, port=5000)

    return story


def by_datagrams(request, answer):
    def story(recording):
        port = recording.port()
        recording.datagram(LIGHT, ROUTER, (port, 5351), request)
        if answer is not None:
            recording.datagram(ROUTER, LIGHT, (5351, port), answer)

    return story


def by_natpmp(*, granted):
    answer = gadget.natpmp_mapped(80, 40_080, 7200) if granted else gadget.natpmp_mapped(80, 0, 0, result=2)
    return by_datagrams(gadget.natpmp_map(80, 40_080, 7200), answer)


def by_pcp(*, granted):
    answer = gadget.pcp_mapped(80, 40_080, 0 if granted else 2)
    return by_datagrams(gadget.pcp_map(LIGHT.ipv4, 80, 40_080, 7200), answer)


WAYS = pytest.mark.parametrize("way", [by_upnp, by_natpmp, by_pcp])


@WAYS
def test_granted_is_high_and_names_port_and_lifetime(way, tmp_path):
    document = run(on_the_path(way(granted=True)), tmp_path)

    [finding] = findings(document, "port-mapping-granted", host=LIGHT)
    assert finding["severity"] == "high"
    assert "tcp port 40080 towards port 80" in finding["summary"]
    assert ("lifetime: without end" if way is by_upnp else "lifetime: ") in finding["summary"]
    assert not findings(document, "port-mapping-refused", "router-searched-for-mapping")
    assert_honest(document)
    assert_calm(document)


@WAYS
def test_refused_is_tried_and_refused(way, tmp_path):
    document = run(on_the_path(way(granted=False)), tmp_path)

    [finding] = findings(document, "port-mapping-refused", host=LIGHT)
    assert finding["severity"] == "low"
    assert outcomes(document, "port-mapping-granted", LIGHT) == {"not-found"}


def test_asked_without_an_answer_is_left_open(tmp_path):
    document = run(on_the_path(by_datagrams(gadget.natpmp_map(80, 40_080, 7200), None)), tmp_path)

    assert outcomes(document, "port-mapping-granted", LIGHT) == {"undetermined"}
    assert outcomes(document, "port-mapping-refused", LIGHT) == {"undetermined"}
    assert_honest(document)


def test_only_the_search_could_be_seen(tmp_path):
    recording = Recording(vantage="own-host", recorder=LAPTOP)
    recording.dhcp_lease(LIGHT)
    recording.arp(LAPTOP, ROUTER)
    recording.mdns_announce(LIGHT)
    by_upnp(granted=True)(recording)
    document = run(recording, tmp_path)

    [finding] = findings(document, *RULES, host=LIGHT)
    assert finding["rule_id"] == "router-searched-for-mapping"
    assert "one could have been seen: no" in finding["summary"]
    assert outcomes(document, "port-mapping-granted", LIGHT) == {"undetermined"}
    assert "agreed" not in text_of(document)


@pytest.mark.parametrize("target", ["ssdp:all", "upnp:rootdevice", "urn:schemas-upnp-org:device:Basic:1"])
def test_not_every_search_is_for_doors(target, tmp_path):
    document = run(on_the_path(lambda recording: recording.ssdp_search(LIGHT, target)), tmp_path)

    assert not findings(document, *RULES)
    assert outcomes(document, "router-searched-for-mapping", LIGHT) == {"not-found"}
    assert all(
        a["scope"] for a in document["assessments"] if a["rule_id"] in RULES and a["outcome"] == "not-found"
    )
