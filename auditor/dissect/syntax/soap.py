"""
Actions that control points ask of UPnP devices, and what they are answered.

Standards: UPnP Device Architecture 2.0 section 3 (control); WANIPConnection:2 sections 2.5 and 2.6 and
           WANIPv6FirewallControl:1 section 2.5 (arguments and error codes).
Reads:     the body of an HTTP request or response.
Keeps:     the names of action, service type and arguments; values of port mappings alone.
"""

from __future__ import annotations

import ipaddress
import re

from auditor.addresses import Address, pack_address
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.xml_text import XmlElement, read_xml
from auditor.errors import DecodeError, LimitError, MalformedError
from auditor.value_class import value_class

MAX_ARGUMENTS = 32  # the longest action of the router's services has 11
MAX_NAME = 128  # characters of an action or argument; the longest of the router's services has 32
MAX_TYPE = 256  # characters of a service type; those of the forum have some 60

# Device Architecture 3.2.2: "urn:" domain ":service:" type ":" version "#" action, in quotes.
_ACTION_FIELD = re.compile(rb'\s*"?([^"#\s]{1,256})#([A-Za-z_][A-Za-z0-9_.-]{0,127})"?\s*\Z')
_NUMBER = re.compile(rb"[0-9]{1,10}\Z")
_RESPONSE = "Response"  # 3.2.5: the name of the action followed by it

MAPPING_ACTIONS = frozenset({"AddPortMapping", "AddAnyPortMapping", "DeletePortMapping", "AddPinhole"})
"""Actions that change what is reached from outside."""


@value_class
class MappingArguments:
    """
    Values of a port mapping, or of a pinhole in the IPv6 firewall; None: not there, or not readable.

    ``AddPinhole`` names the port of the inner host ``InternalPort`` and that
    of the outer host ``RemotePort``: a pinhole has no external port.
    """

    external_port: int | None
    """0 stands for every port (WANIPConnection:2 section 2.3.17, from memory)."""
    internal_port: int | None
    internal_client: Address | None
    protocol: str | None
    """``tcp``, ``udp``, else the number as it was sent."""
    lease_seconds: int | None
    """0: without end in version 1 of the service (RFC 6970 section 5.4: as long as possible)."""
    is_enabled: bool | None
    any_remote_host: bool | None
    """The mapping is open to every host: the argument for the remote host is empty."""


@value_class
class SoapMessage:
    """The envelope of an action, of its answer or of its fault."""

    action: str | None
    """Name of the action; None in a fault."""
    is_response: bool
    """An answer or a fault."""
    service_type: str | None
    """Namespace of the action, for instance ``urn:schemas-upnp-org:service:WANIPConnection:1``."""
    arguments: tuple[str, ...]
    """Names in order of appearance."""
    mapping: MappingArguments | None
    """Of ``MAPPING_ACTIONS`` and of answers that name a mapping's port."""
    error_code: int | None
    """Of a fault: 402, 501, 606 (not authorized), 718 (conflict), 725, 727, 728, 729 …"""

    @property
    def changes_mappings(self) -> bool:
        """Whether the action opens or closes a way in from outside."""
        return self.action in MAPPING_ACTIONS


def action_of_field(value: bytes) -> tuple[str, str] | None:
    """Service type and action of a SOAPACTION field; None for anything else."""
    found = _ACTION_FIELD.match(value)
    if found is None:
        return None
    return printable(found[1], MAX_TYPE), printable(found[2], MAX_NAME)


def soap_of_field(value: bytes | None) -> SoapMessage | None:
    """What a SOAPACTION field says alone; None where there is none, or another thing in it."""
    found = action_of_field(value) if value is not None else None
    if found is None:
        return None
    return SoapMessage(
        action=found[1],
        is_response=False,
        service_type=found[0],
        arguments=(),
        mapping=None,
        error_code=None,
    )


def looks_like_envelope(octets: bytes) -> bool:
    """Whether a body may hold an envelope: cheap, and no promise."""
    head = octets[:512]
    return head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<" and b"Envelope" in head


def parse_soap(octets: bytes) -> SoapMessage:
    """
    Parse an envelope.

    Raises:
        DecodeError: no XML of the kind that is read, no envelope, or no action in it.
    """
    action: XmlElement | None = None
    arguments: list[XmlElement] = []
    fault: list[XmlElement] = []
    for element in read_xml(octets):
        path = element.path
        if path[0] != "Envelope":
            raise MalformedError("envelope", 0, "another root element")
        if len(path) < 3 or path[1] != "Body":
            continue
        if path[2] == "Fault":
            fault.append(element)
        elif len(path) == 3 and action is None:
            action = element
        elif len(path) == 4 and action is None:
            if len(arguments) >= MAX_ARGUMENTS:
                raise LimitError("argument", 0, f"more than {MAX_ARGUMENTS}")
            arguments.append(element)
    if fault:
        return _fault(fault)
    if action is None:
        raise MalformedError("action", len(octets), "the envelope holds none")
    return _action(action, arguments)


def soap_of_body(octets: bytes) -> SoapMessage | None:
    """The message in a body, None where it holds none that can be read; total."""
    if not looks_like_envelope(octets):
        return None
    try:
        return parse_soap(octets)
    except DecodeError:
        return None


def _action(action: XmlElement, arguments: list[XmlElement]) -> SoapMessage:
    name = printable(action.name.encode(), MAX_NAME)
    is_response = name.endswith(_RESPONSE) and name != _RESPONSE
    name = name.removesuffix(_RESPONSE) if is_response else name
    values = {argument.name: argument.text for argument in reversed(arguments)}
    mapping = None
    if name in MAPPING_ACTIONS and (not is_response or "NewReservedPort" in values):
        mapping = _mapping(values)
    return SoapMessage(
        action=name,
        is_response=is_response,
        service_type=printable(action.namespace, MAX_TYPE) if action.namespace else None,
        arguments=tuple(printable(argument.name.encode(), MAX_NAME) for argument in arguments),
        mapping=mapping,
        error_code=None,
    )


def _fault(elements: list[XmlElement]) -> SoapMessage:
    codes = [element.text for element in elements if element.name == "errorCode"]
    return SoapMessage(
        action=None,
        is_response=True,
        service_type=None,
        arguments=(),
        mapping=None,
        error_code=_number(codes[0]) if codes else None,
    )


def _mapping(values: dict[str, bytes]) -> MappingArguments:
    remote = values.get("NewRemoteHost", values.get("RemoteHost"))
    enabled = values.get("NewEnabled")
    return MappingArguments(
        external_port=_number(values.get("NewExternalPort", values.get("NewReservedPort"))),
        internal_port=_number(values.get("NewInternalPort", values.get("InternalPort"))),
        internal_client=_address(values.get("NewInternalClient", values.get("InternalClient"))),
        protocol=_protocol(values.get("NewProtocol", values.get("Protocol"))),
        lease_seconds=_number(values.get("NewLeaseDuration", values.get("LeaseTime"))),
        is_enabled=None if enabled is None else enabled.lower() in (b"1", b"true", b"yes"),
        # Device Architecture 2.5: both spellings; the wildcard is the empty string.
        any_remote_host=None if remote is None else remote in (b"", b"*"),
    )


def _number(value: bytes | None) -> int | None:
    return int(value) if value is not None and _NUMBER.match(value) else None


def _address(value: bytes | None) -> Address | None:
    if value is None:
        return None
    try:
        return pack_address(ipaddress.ip_address(value.decode("ascii")))
    except ValueError:  # a host name, an address with a zone, or noise
        return None


def _protocol(value: bytes | None) -> str | None:
    if not value:
        return None
    # A pinhole names IANA protocol numbers (WANIPv6FirewallControl:1 section 2.3.4, from memory).
    return {b"6": "tcp", b"17": "udp"}.get(value) or printable(value.lower(), 16)
