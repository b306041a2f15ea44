"""
WS-Discovery: searches and announcements of devices as XML over UDP.

Standards: OASIS WS-Discovery 1.1 sections 4 to 7, and the submission of April 2005
           that most devices speak (from memory); SOAP-over-UDP 1.1.
Reads:     UDP payload of port 3702, and envelopes on any: an answer goes from
           any port to that of the question (SOAP-over-UDP 1.1 section 3.2, from memory).
Keeps:     kinds of devices, kinds of scopes, addresses of services without query
           and user info.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.dissect.syntax.xml_text import XmlElement, read_xml
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({3702})  # IANA service name: ws-discovery

# Both editions name the kind in the action's last part.
ACTION_PREFIXES = (
    b"http://schemas.xmlsoap.org/ws/2005/04/discovery/",
    b"http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01/",
)
KINDS = {b"Probe": "probe", b"ProbeMatches": "probe-matches", b"Resolve": "resolve",
         b"ResolveMatches": "resolve-matches", b"Hello": "hello", b"Bye": "bye"}  # fmt: skip
BODIES = {"ProbeMatches": "ProbeMatch", "ResolveMatches": "ResolveMatch"}

MAX_MESSAGE_OCTETS = 65_507  # what a datagram of IPv4 holds (RFC 768); SOAP-over-UDP asks for no less
MAX_TARGETS = 64  # of one answer; each stands for one device or service
MAX_NAMES = 32  # types, scopes or addresses of one target

_USER_AND_HOST = re.compile(r"([A-Za-z][A-Za-z0-9+.-]{0,15}://)(?:[^/?#@]*@)*([^?#@]*)")
_MARK = b"\xef\xbb\xbf"  # byte order mark of UTF-8
_ENVELOPE = re.compile(rb"<(?:[A-Za-z0-9_.-]{1,24}:)?Envelope[\s>]")
_CUT_NAME = re.compile(rb"(?:<(?:[A-Za-z0-9_.-]{1,24}:)?[A-Za-z0-9_.-]{0,24})?")
HEAD_OCTETS = 64  # contract of Dissector.looks_like


@value_class
class DiscoveryTarget:
    """A device or service that is asked for, found or announced."""

    endpoint: str | None
    """Its lasting address, most often ``urn:uuid:…``."""
    types: tuple[str, ...]
    """Kinds, without their prefixes."""
    scope_kinds: tuple[str, ...]
    """Scheme and authority of each scope, or the namespace of a URN, once: the rest may be a place."""
    transport_addresses: tuple[str, ...]
    """Where it serves."""


@value_class
class DiscoveryMessage(Message):
    """One message."""

    kind: str
    """``probe``, ``probe-matches``, ``resolve``, ``resolve-matches``, ``hello``, ``bye``."""
    edition: str
    """``2005`` or ``1.1``."""
    message_identifier: str | None
    relates_to: str | None
    """Of an answer: identifier of the question."""
    targets: tuple[DiscoveryTarget, ...]
    """Of a probe one, with what is searched for; answers may name several, or none."""


def looks_like(head: bytes) -> bool:
    """
    Whether ``head`` begins an XML envelope, behind a declaration or not.

    Where the head ends inside the name of the element, what is there must fit.
    """
    octets = head.removeprefix(_MARK)
    if not octets.startswith(b"<"):
        return False
    if octets.startswith(b"<?xml"):
        _, declaration, octets = octets.partition(b"?>")
        octets = octets.lstrip()
        if not declaration:
            return False
    if _ENVELOPE.match(octets):
        return True
    name = octets.rpartition(b":")[2] if b":" in octets else b""
    return (
        len(head) == HEAD_OCTETS and _CUT_NAME.fullmatch(octets) is not None and b"Envelope".startswith(name)
    )


def parse_message(cursor: Cursor) -> DiscoveryMessage:
    """
    Parse one datagram.

    Raises:
        DecodeError: not well-formed, or no message of this protocol.
    """
    length = cursor.remaining
    if length > MAX_MESSAGE_OCTETS:
        raise LimitError("message", cursor.offset, f"{length} octets > {MAX_MESSAGE_OCTETS}")
    header: dict[str, bytes] = {}
    # Elements are handed out where they end: what belongs to a target comes before the target itself.
    pending: list[XmlElement] = []
    targets: list[DiscoveryTarget] = []
    for element in read_xml(cursor.take(length, "message").rstrip(b"\0")):
        path = element.path
        if path[:2] == ("Envelope", "Header"):
            if len(path) == 3:
                header.setdefault(element.name, element.text)
        elif path[:2] == ("Envelope", "Body") and len(path) > 2:
            if len(path) == (4 if path[2] in BODIES else 3):
                if len(path) == 3 or path[3] == BODIES[path[2]]:
                    if len(targets) >= MAX_TARGETS:
                        raise LimitError("targets", cursor.offset, f"more than {MAX_TARGETS}")
                    targets.append(_target(pending))
                pending = []
            else:
                pending.append(element)
    edition, kind = _action(header.get("Action", b""))
    return DiscoveryMessage(
        length=length,
        kind=kind,
        edition=edition,
        message_identifier=_text(header.get("MessageID")),
        relates_to=_text(header.get("RelatesTo")),
        targets=tuple(targets),
    )


def _action(action: bytes) -> tuple[str, str]:
    for prefix, edition in zip(ACTION_PREFIXES, ("2005", "1.1"), strict=True):
        kind = KINDS.get(action[len(prefix) :])
        if kind is not None and action.startswith(prefix):
            return edition, kind
    raise MalformedError("action", 0, "no action of this protocol")


def _target(elements: list[XmlElement]) -> DiscoveryTarget:
    endpoint: str | None = None
    lists: dict[str, bytes] = {}
    for element in elements:
        if element.path[-2:] == ("EndpointReference", "Address"):
            endpoint = endpoint or _text(element.text)
        elif element.name in ("Types", "Scopes", "XAddrs"):
            lists.setdefault(element.name, element.text)
    types = [to_printable(name.rpartition(b":")[2]) for name in _names(lists.get("Types"))]
    scopes = [_scope_kind(to_printable(name)) for name in _names(lists.get("Scopes"))]
    addresses = [_location(to_printable(name)) for name in _names(lists.get("XAddrs"))]
    return DiscoveryTarget(
        endpoint=endpoint,
        types=tuple(types),
        scope_kinds=tuple(dict.fromkeys(scopes)),
        transport_addresses=tuple(address for address in addresses if address),
    )


def _names(text: bytes | None) -> list[bytes]:
    return (text or b"").split(None, MAX_NAMES)[:MAX_NAMES]


def _scope_kind(scope: str) -> str:
    """Keep scheme and authority; of a URN its namespace (RFC 8141 section 2)."""
    scheme, _, rest = scope.partition(":")
    if rest.startswith("//"):
        return f"{scheme}://{rest[2:].partition('/')[0].rpartition('@')[2]}"
    return f"{scheme}:{rest.partition(':')[0]}" if scheme.lower() == "urn" else scheme


def _location(address: str) -> str | None:
    match = _USER_AND_HOST.match(address)
    return match[1] + match[2] if match else None


def _text(value: bytes | None) -> str | None:
    return None if value is None else to_printable(value)


DISSECTOR = Dissector(
    name="ws-discovery",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
