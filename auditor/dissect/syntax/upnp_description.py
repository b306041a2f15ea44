"""
Descriptions of UPnP devices: what a device says it is, in the answer to a request for its LOCATION.

Standard: UPnP Device Architecture 2.0 section 2.3 (from memory); the text is
          ``auditor.dissect.syntax.xml_text``.
Keeps:    types of devices and services; of names, models and numbers only that they
          are there, but for the model's own name.
"""

from __future__ import annotations

from auditor.dissect.syntax.printable import to_printable
from auditor.dissect.syntax.xml_text import XmlElement, read_xml
from auditor.errors import DecodeError, LimitError, MalformedError
from auditor.value_class import value_class

MAX_DESCRIPTION_OCTETS = 65_536  # a root device with twenty embedded ones has some 30 KiB
MAX_DEVICES = 64  # with the embedded ones
MAX_SERVICES = 256  # of all devices together
MAX_TEXT_CHARACTERS = 128  # of a model's name; the standard asks for fewer than 32

DISCLOSING = ("friendlyName", "manufacturer", "modelName", "modelNumber", "modelDescription", "serialNumber",
              "UDN", "UPC", "presentationURL")  # fmt: skip
"""Fields of 2.3 that may tell an owner's name, an exact model or a number."""


@value_class
class DescribedService:
    """One entry of a list of services."""

    service_type: str
    """``urn:…:service:…:1``."""
    control_path: str | None
    """Where actions are asked for, without query."""


@value_class
class UpnpDescription:
    """A device description; the root device's fields unless said otherwise."""

    device_types: tuple[str, ...]
    """Of the root device and of embedded ones, each once; the root's comes first."""
    services: tuple[DescribedService, ...]
    """Of all devices."""
    present_fields: tuple[str, ...]
    """Names of ``DISCLOSING`` that hold something, in that order."""
    friendly_name: str | None
    """Given by the owner or the maker."""
    model_name: str | None
    model_number: str | None
    """Often the version of hardware or software."""
    has_presentation: bool
    """A web page for people is named."""


def looks_like_description(octets: bytes) -> bool:
    """Whether a body may be a description: the name of its root element, or of its namespace."""
    return b"<root" in octets[:512] and b"urn:schemas-upnp-org:device" in octets[:4096]


def parse_upnp_description(octets: bytes) -> UpnpDescription:
    """
    Parse the body of an answer.

    Raises:
        DecodeError: not well-formed, no description, or a bound.
    """
    if len(octets) > MAX_DESCRIPTION_OCTETS:
        raise LimitError("description", 0, f"{len(octets)} octets > {MAX_DESCRIPTION_OCTETS}")
    types: list[tuple[int, str]] = []
    services: list[DescribedService] = []
    fields: dict[str, str] = {}
    service: dict[str, str] = {}
    for element in read_xml(octets):
        if element.path[0] != "root":
            raise MalformedError("root", 0, "another root element")
        parent = element.path[-2:-1]
        if parent == ("service",):
            service.setdefault(element.name, _text(element))
        elif element.name == "service":
            if len(services) >= MAX_SERVICES:
                raise LimitError("services", 0, f"more than {MAX_SERVICES}")
            if "serviceType" in service:
                control = service.get("controlURL")
                path = control.partition("?")[0] if control else None
                services.append(DescribedService(service_type=service["serviceType"], control_path=path))
            service = {}
        elif parent == ("device",):
            if element.name == "deviceType":
                if len(types) >= MAX_DEVICES:
                    raise LimitError("devices", 0, f"more than {MAX_DEVICES}")
                types.append((len(element.path), _text(element)))
            elif len(element.path) == 3:
                fields.setdefault(element.name, _text(element))
    if not types:
        raise MalformedError("device_type", 0, "no device has a type")
    # An embedded device may be described before the root device has said its own type.
    types.sort(key=lambda kind: kind[0])
    return UpnpDescription(
        device_types=tuple(dict.fromkeys(kind for _, kind in types)),
        services=tuple(services),
        present_fields=tuple(name for name in DISCLOSING if fields.get(name)),
        friendly_name=fields.get("friendlyName") or None,
        model_name=fields.get("modelName") or None,
        model_number=fields.get("modelNumber") or None,
        has_presentation=bool(fields.get("presentationURL")),
    )


def description_of_body(octets: bytes) -> UpnpDescription | None:
    """The description in a body, None where it holds none that can be read; total."""
    if not looks_like_description(octets):
        return None
    try:
        return parse_upnp_description(octets)
    except DecodeError:
        return None


def _text(element: XmlElement) -> str:
    return to_printable(element.text[: 4 * MAX_TEXT_CHARACTERS])[:MAX_TEXT_CHARACTERS]
