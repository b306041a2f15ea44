"""
UPnP Device Architecture section 3 (control); action and arguments of WANIPConnection (RFC 6970 names the action,
the arguments are from memory).  Oracle: miniature envelopes built by the element writer of the standard library.
"""

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings

from auditor.addresses import parse_address
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Issue
from auditor.dissect.protocols import http
from auditor.dissect.syntax.soap import MAPPING_ACTIONS, action_of_field, parse_soap, soap_of_body
from auditor.errors import DecodeError, LimitError, MalformedError
from tests.dissector_checks import damaged
from tests.unit.dissect.packets import Connection, dispatch

ENVELOPE = "http://schemas.xmlsoap.org/soap/envelope/"
SERVICE = "urn:schemas-upnp-org:service:WANIPConnection:1"
CONTROL = "urn:schemas-upnp-org:control-1-0"
MAPPING = {
    "NewRemoteHost": "",
    "NewExternalPort": "8080",
    "NewProtocol": "TCP",
    "NewInternalPort": "80",
    "NewInternalClient": "192.0.2.20",
    "NewEnabled": "1",
    "NewPortMappingDescription": "shelf <light>",
    "NewLeaseDuration": "3600",
}


def envelope(action, arguments, service=SERVICE):
    root = ET.Element(f"{{{ENVELOPE}}}Envelope", {f"{{{ENVELOPE}}}encodingStyle": "x"})
    body = ET.SubElement(root, f"{{{ENVELOPE}}}Body")
    inner = ET.SubElement(body, f"{{{service}}}{action}")
    for name, value in arguments.items():
        ET.SubElement(inner, name).text = value
    return ET.tostring(root, encoding="utf-8", xml_declaration=True)


def fault(code):
    root = ET.Element(f"{{{ENVELOPE}}}Envelope")
    inner = ET.SubElement(ET.SubElement(root, f"{{{ENVELOPE}}}Body"), f"{{{ENVELOPE}}}Fault")
    ET.SubElement(inner, "faultcode").text = "s:Client"
    error = ET.SubElement(ET.SubElement(inner, "detail"), f"{{{CONTROL}}}UPnPError")
    ET.SubElement(error, f"{{{CONTROL}}}errorCode").text = code
    return ET.tostring(root)


def test_port_mapping():
    found = parse_soap(envelope("AddPortMapping", MAPPING))

    assert (found.action, found.is_response, found.changes_mappings) == ("AddPortMapping", False, True)
    assert found.service_type == SERVICE
    assert found.arguments == tuple(MAPPING)
    assert (found.mapping.external_port, found.mapping.internal_port) == (8080, 80)
    assert found.mapping.internal_client == parse_address("192.0.2.20")
    assert (found.mapping.protocol, found.mapping.lease_seconds) == ("tcp", 3600)
    assert found.mapping.is_enabled
    assert found.mapping.any_remote_host
    assert "shelf" not in repr(found)


def test_service_type_of_a_usual_envelope():
    # The form that control points write, prefix "u" declared on the action (Device Architecture 3.2.2).
    octets = (
        b'<?xml version="1.0"?>\r\n<s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/" '
        b's:encodingStyle="http://schemas.xmlsoap.org/soap/encoding/"><s:Body><u:DeletePortMapping '
        b'xmlns:u="urn:schemas-upnp-org:service:WANIPConnection:1"><NewRemoteHost></NewRemoteHost>'
        b"<NewExternalPort>8080</NewExternalPort><NewProtocol>UDP</NewProtocol></u:DeletePortMapping>"
        b"</s:Body></s:Envelope>\r\n"
    )
    found = parse_soap(octets)

    assert (found.action, found.service_type) == ("DeletePortMapping", SERVICE)
    assert (found.mapping.external_port, found.mapping.protocol) == (8080, "udp")
    assert found.mapping.lease_seconds is None


def test_pinhole():
    arguments = {
        "RemoteHost": "",
        "RemotePort": "0",
        "InternalClient": "2001:db8::20",
        "InternalPort": "443",
        "Protocol": "17",
        "LeaseTime": "60",
    }
    found = parse_soap(
        envelope("AddPinhole", arguments, "urn:schemas-upnp-org:service:WANIPv6FirewallControl:1")
    )

    assert found.mapping.internal_client == parse_address("2001:db8::20")
    assert (found.mapping.internal_port, found.mapping.external_port) == (443, None)
    assert (found.mapping.protocol, found.mapping.lease_seconds) == ("udp", 60)


def test_answers():
    plain = parse_soap(envelope("AddPortMappingResponse", {}))
    other = parse_soap(envelope("AddAnyPortMappingResponse", {"NewReservedPort": "40001"}))
    refused = parse_soap(fault("718"))

    assert (plain.action, plain.is_response, plain.mapping) == ("AddPortMapping", True, None)
    assert other.mapping.external_port == 40001
    assert (refused.action, refused.is_response, refused.error_code) == (None, True, 718)
    assert parse_soap(fault("many")).error_code is None


def test_other_actions_keep_no_values():
    found = parse_soap(envelope("SetPassword", {"NewPassword": "quiet-words"}))

    assert (found.action, found.arguments, found.mapping) == ("SetPassword", ("NewPassword",), None)
    assert "quiet-words" not in repr(found)


@pytest.mark.parametrize("value", ["", "-1", "80x", "99999999999", "８０"])
def test_a_value_that_is_no_number(value):
    found = parse_soap(envelope("AddPortMapping", {**MAPPING, "NewExternalPort": value}))

    assert found.mapping.external_port is None


@pytest.mark.parametrize("value", ["lamp.example", "192.0.2.20.1", "", "fe80::1%eth0é"])
def test_a_client_that_is_no_address(value):
    found = parse_soap(envelope("AddPortMapping", {**MAPPING, "NewInternalClient": value}))

    assert found.mapping.internal_client is None or value.startswith("fe80")


def test_first_of_two_contradicting_arguments():
    octets = envelope("AddPortMapping", {"NewExternalPort": "1"})
    octets = octets.replace(b"<NewExternalPort>", b"<NewExternalPort>7</NewExternalPort><NewExternalPort>")

    assert parse_soap(octets).mapping.external_port == 7


def test_field():
    assert action_of_field(b'"urn:schemas-upnp-org:service:WANIPConnection:1#AddPortMapping"') == (
        SERVICE,
        "AddPortMapping",
    )
    assert action_of_field(b"urn:x:service:y:1#z") == ("urn:x:service:y:1", "z")
    assert action_of_field(b'""') is None
    assert action_of_field(b"#a") is None


@pytest.mark.parametrize("octets", [b"<html/>", b"<Envelope/>", b"<Envelope><Body/></Envelope>"])
def test_no_envelope(octets):
    with pytest.raises(MalformedError):
        parse_soap(octets)
    assert soap_of_body(octets) is None


def test_too_many_arguments():
    with pytest.raises(LimitError):
        parse_soap(envelope("A", {f"a{i}": "" for i in range(100)}))


@settings(max_examples=100, deadline=None)
@given(damaged(envelope("AddPortMapping", MAPPING), fault("606"), envelope("AddPortMappingResponse", {})))
def test_any_octets(octets):
    try:
        found = parse_soap(octets)
    except DecodeError as raised:
        found, place = None, raised.offset
    else:
        place = 0
    assert 0 <= place <= len(octets)
    assert soap_of_body(octets) in (found, None)
    if found is not None and found.mapping is not None:
        assert found.action in MAPPING_ACTIONS


def exchange(request_body, answer_body, status="200 OK", missing=0):
    """What dispatch reads of an action over HTTP (Device Architecture 3.2.2)."""
    head = (
        f"POST /ctl/IPConn HTTP/1.1\r\nHost: 192.0.2.1:5000\r\nContent-Length: {len(request_body) + missing}\r\n"
        f'Content-Type: text/xml; charset="utf-8"\r\nSOAPAction: "{SERVICE}#AddPortMapping"\r\n\r\n'
    )
    answer = f"HTTP/1.1 {status}\r\nContent-Type: text/xml\r\nContent-Length: {len(answer_body)}\r\n\r\n"
    connection = Connection(server_port=5000).open().client(head.encode() + request_body, 700)
    if not missing:
        connection.server(answer.encode() + answer_body)
    items = dispatch(connection.close().packets, Dispatcher((http.DISSECTOR,), strict=True))
    return [item.message.soap for item in items if not isinstance(item, Issue)]


def test_granted_over_http():
    request, answer = exchange(envelope("AddPortMapping", MAPPING), envelope("AddPortMappingResponse", {}))

    assert (request.action, request.mapping.external_port) == ("AddPortMapping", 8080)
    assert (answer.action, answer.is_response, answer.error_code) == ("AddPortMapping", True, None)


def test_refused_over_http():
    _, answer = exchange(envelope("AddPortMapping", MAPPING), fault("606"), "500 Internal Server Error")

    assert (answer.is_response, answer.error_code) == (True, 606)


def test_body_that_was_not_recorded():
    (request,) = exchange(envelope("AddPortMapping", MAPPING)[:300], b"", missing=900)

    assert (request.action, request.service_type, request.mapping) == ("AddPortMapping", SERVICE, None)
