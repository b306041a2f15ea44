"""
Doors in the router: granted when the answer says so.

Sources: RFC 6886 section 3.3 (request and answer), 3.4 (lifetime 0 takes back), 3.5 (result codes); RFC 6887 sections
7.4 and 15.1; WANIPConnection and UPnP Device Architecture 2.0 section 3.2 (from memory).  Octets are read by the
dissectors, whose tests hold them against published vectors.
"""

from dataclasses import replace

from auditor.dissect.protocols import natpmp, pcp, ssdp
from auditor.dissect.syntax.soap import parse_soap
from auditor.wire import Cursor
from tests.household import gadget_messages as gadget
from tests.household.messages import ssdp_search
from tests.unit.inventory.scenes import (
    IP,
    LIGHT,
    PHONE,
    ROUTER,
    Scene,
    by_link,
    end,
    facts_of,
    http_request,
    http_response,
)

GATEWAY = "urn:schemas-upnp-org:device:InternetGatewayDevice:1"


def scene():
    made = Scene(chosen=(LIGHT,))
    made.others()
    for link in (LIGHT, PHONE, ROUTER):
        made.arp(link, IP[ROUTER])
    return made


def ask(made, protocol, parse, request, answer=None, *, at=3.0):
    key = made.flow(end(LIGHT, port=50_000), end(ROUTER, port=5351), at=at, protocol=17, received=1 if answer else 0)
    made.say(key, protocol, parse(Cursor(request)), at=at)
    if answer:
        made.say(key, protocol, parse(Cursor(answer)), at=at + 0.01, back=True)


def doors(made):
    inventory = made.build()
    light = by_link(inventory, LIGHT).device_id
    return [
        (f.protocol, f.state, f.transport, f.external_port, f.internal_port, f.lifetime_seconds, f.withdrawn)
        for f in facts_of(inventory, "port-mapping", light)
    ]


def test_granted_by_nat_pmp_with_what_the_router_gave():
    made = scene()
    ask(made, "nat-pmp", natpmp.DISSECTOR.parse_datagram, gadget.natpmp_map(80, 8080, 7200),
        gadget.natpmp_mapped(80, 8181, 3600))  # fmt: skip

    assert doors(made) == [("nat-pmp", "granted", "tcp", 8181, 80, 3600, False)]


def test_refused_by_nat_pmp():
    made = scene()
    ask(made, "nat-pmp", natpmp.DISSECTOR.parse_datagram, gadget.natpmp_map(80, 8080, 7200),
        gadget.natpmp_mapped(80, 0, 0, result=2))  # fmt: skip

    assert [door[:2] for door in doors(made)] == [("nat-pmp", "refused")]


def test_asked_without_an_answer():
    made = scene()
    ask(made, "nat-pmp", natpmp.DISSECTOR.parse_datagram, gadget.natpmp_map(80, 8080, 7200))

    assert doors(made) == [("nat-pmp", "requested", "tcp", 8080, 80, 7200, False)]


def test_taken_back_is_still_told():
    made = scene()
    parse = natpmp.DISSECTOR.parse_datagram
    ask(made, "nat-pmp", parse, gadget.natpmp_map(80, 8080, 7200), gadget.natpmp_mapped(80, 8080, 7200))
    ask(made, "nat-pmp", parse, gadget.natpmp_map(80, 0, 0), gadget.natpmp_mapped(80, 0, 0), at=9.0)

    assert doors(made) == [("nat-pmp", "granted", "tcp", 8080, 80, 7200, True)]


def test_pcp_granted_and_refused():
    for result, state in ((0, "granted"), (2, "refused")):
        made = scene()
        ask(made, "pcp", pcp.DISSECTOR.parse_datagram, gadget.pcp_map(IP[LIGHT], 80, 8080, 7200),
            gadget.pcp_mapped(80, 8080, result))  # fmt: skip
        assert [door[:3] for door in doors(made)] == [("pcp", state, "tcp")]


def action(made, *, status=200, answer=None, at=4.0):
    asked, granted = gadget.soap_add_mapping(40_080, 80, IP[LIGHT])
    key = made.flow(end(LIGHT, port=50_001), end(ROUTER, port=5000), at=at)
    made.say(key, "http", http_request("POST", "/control", soap=parse_soap(asked)), at=at)
    response = http_response(status)
    made.say(key, "http", _with(response, parse_soap(answer or granted)), at=at + 0.01, back=True)


def _with(response, soap):
    return replace(response, soap=soap)


FAULT = (
    b'<?xml version="1.0"?><s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/"><s:Body><s:Fault>'
    b"<faultcode>s:Client</faultcode><faultstring>UPnPError</faultstring><detail>"
    b'<UPnPError xmlns="urn:schemas-upnp-org:control-1-0"><errorCode>718</errorCode></UPnPError>'
    b"</detail></s:Fault></s:Body></s:Envelope>"
)


def test_igd_granted_and_refused():
    made = scene()
    action(made)
    assert doors(made) == [("igd", "granted", "tcp", 40_080, 80, 0, False)]

    made = scene()
    action(made, status=500, answer=FAULT)
    assert [door[:2] for door in doors(made)] == [("igd", "refused")]


def search(made, target, *, link=LIGHT, at=2.0):
    key = made.group_flow(end(link, port=50_002), "01:00:5e:7f:ff:fa", "239.255.255.250", 1900, at=at)
    made.say(key, "ssdp", ssdp.DISSECTOR.parse_datagram(Cursor(ssdp_search(target))), at=at)


def test_a_search_alone_is_a_search():
    made = scene()
    search(made, GATEWAY)

    assert [door[:2] for door in doors(made)] == [("igd", "searched")]


def test_not_every_search_is_one_for_doors():
    made = scene()
    search(made, "upnp:rootdevice")
    search(made, "ssdp:all")

    assert doors(made) == []


def test_a_search_that_led_to_a_request_is_told_by_the_request():
    made = scene()
    search(made, GATEWAY)
    action(made)

    assert [door[:2] for door in doors(made)] == [("igd", "granted")]


def test_renewals_are_one_door():
    made = scene()
    for at in (3.0, 30.0, 60.0):
        ask(made, "nat-pmp", natpmp.DISSECTOR.parse_datagram, gadget.natpmp_map(80, 8080, 7200),
            gadget.natpmp_mapped(80, 8080, 7200), at=at)  # fmt: skip
    [door] = facts_of(made.build(), "port-mapping")

    assert (door.requests, door.repeated) == (3, True)
