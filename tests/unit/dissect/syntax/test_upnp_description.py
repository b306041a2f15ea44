"""
Documents: UPnP Device Architecture 2.0 section 2.3, its template of a description (from memory), filled for an
invented household.  Oracle of the text: ``xml.etree`` of the Python library.
"""

from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings

from auditor.dissect.syntax.upnp_description import (
    MAX_DESCRIPTION_OCTETS,
    looks_like_description,
    parse_upnp_description,
)
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from tests.dissector_checks import damaged

NAMESPACE = "urn:schemas-upnp-org:device-1-0"


def service(kind, control="/control"):
    return (
        f"<service><serviceType>{kind}</serviceType><serviceId>urn:x</serviceId><SCPDURL>/s.xml</SCPDURL>"
        f"<controlURL>{control}</controlURL><eventSubURL>/event</eventSubURL></service>"
    )


DESCRIPTION = f"""<?xml version="1.0"?>
<root xmlns="{NAMESPACE}" configId="1"><specVersion><major>2</major><minor>0</minor></specVersion>
<device>
 <deviceList><device><deviceType>urn:example:device:Strip:1</deviceType><friendlyName>inner</friendlyName>
  <serviceList>{service("urn:schemas-upnp-org:service:SwitchPower:1", "/switch?key=abc")}</serviceList></device>
 </deviceList>
 <deviceType>urn:schemas-upnp-org:device:DimmableLight:1</deviceType>
 <friendlyName>Anna&apos;s lamp</friendlyName><manufacturer>Maker</manufacturer><modelName>Lamp 2</modelName>
 <modelNumber>4.2</modelNumber><serialNumber/><UDN>uuid:00000000-0000-4000-8000-000000000007</UDN>
 <serviceList>{service("urn:schemas-upnp-org:service:Dimming:1")}</serviceList>
 <presentationURL>/index.html</presentationURL>
</device></root>""".encode()


def test_everything_that_is_kept():
    found = parse_upnp_description(DESCRIPTION)

    assert found.device_types == (
        "urn:schemas-upnp-org:device:DimmableLight:1",
        "urn:example:device:Strip:1",
    )
    assert {(one.service_type, one.control_path) for one in found.services} == {
        ("urn:schemas-upnp-org:service:SwitchPower:1", "/switch"),
        ("urn:schemas-upnp-org:service:Dimming:1", "/control"),
    }
    assert found.present_fields == (
        "friendlyName",
        "manufacturer",
        "modelName",
        "modelNumber",
        "UDN",
        "presentationURL",
    )
    assert (found.friendly_name, found.model_name, found.model_number) == ("Anna's lamp", "Lamp 2", "4.2")
    assert found.has_presentation
    assert looks_like_description(DESCRIPTION)


def test_types_as_another_library_finds_them():
    tree = ET.fromstring(DESCRIPTION)

    found = parse_upnp_description(DESCRIPTION)

    for tag, ours in (
        ("deviceType", set(found.device_types)),
        ("serviceType", {one.service_type for one in found.services}),
    ):
        assert {element.text for element in tree.iter(f"{{{NAMESPACE}}}{tag}")} == ours


def test_hostile_text_is_one_short_printable_line():
    octets = DESCRIPTION.replace(b"Lamp 2", b"\xe2\x80\xae" * 900)

    name = parse_upnp_description(octets).model_name

    assert name.isprintable()
    assert len(name) <= 128


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"<root><device/></root>", MalformedError, "device_type", id="no-type"),
        pytest.param(b"<html><body/></html>", MalformedError, "root", id="html"),
        pytest.param(DESCRIPTION[:-9], TruncatedError, "element", id="cut"),
        pytest.param(b"<!DOCTYPE root><root/>", MalformedError, "document", id="document-type"),
        pytest.param(bytes(MAX_DESCRIPTION_OCTETS + 1), LimitError, "description", id="long"),
        pytest.param(
            b"<root><device>" + b"<deviceType>x</deviceType>" * 65 + b"</device></root>",
            LimitError,
            "devices",
            id="65-types",
        ),
        pytest.param(
            b"<root><device><serviceList>"
            + b"<service><serviceType>x</serviceType></service>" * 257
            + b"</serviceList></device></root>",
            LimitError,
            "services",
            id="257-services",
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parse_upnp_description(octets)

    assert info.value.field == field


@given(damaged(DESCRIPTION))
@settings(deadline=None)
def test_any_octets_give_a_description_or_a_decode_error(octets):
    try:
        found = parse_upnp_description(octets)
    except DecodeError as error:
        offset = error.offset
        assert 0 <= offset <= len(octets)
        return
    assert found.device_types
