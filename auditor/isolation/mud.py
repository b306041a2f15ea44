"""
A plan as a Manufacturer Usage Description for one device.

Standards: RFC 8520 (ietf-mud, ietf-acldns), RFC 8519 (ietf-access-control-list),
RFC 7951 (JSON encoding: the type *empty* is ``[null]``).

Names stand where the recording knows them; an outside address without a name
is left out (RFC 8520 section 2: addresses should not be used) and counted.
The hub is ``my-controller``, the home ``local-networks``; local names and time
are permitted by the standard's own defaults (section 5).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from auditor.addresses import Address
from auditor.isolation.flow_classes import End, FlowClass
from auditor.isolation.wishes import BoundWish
from auditor.units import NS_PER_SECOND, format_time

CACHE_VALIDITY_HOURS = 48  # RFC 8520 section 3.5: the default
MAX_SYSTEMINFO_CHARACTERS = 60  # section 3.7
MAX_ACES = 200  # of one list; a light has some ten

_LABEL = re.compile(r"(?:[a-z0-9_][a-z0-9_-]{0,61})?[a-z0-9]")
_PROTOCOLS = {"tcp": 6, "udp": 17}

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class UsageDescription:
    """A file and what could not be said in it."""

    document: Document
    left_out: int
    """Outside endpoints without a name."""


def describe_usage(
    device_id: str,
    *,
    wishes: Iterable[BoundWish],
    names: Mapping[Address, str],
    hubs: frozenset[str],
    recorded_until_ns: int,
    description: str,
) -> UsageDescription:
    """The usage that the wishes make of one device, both families, as an RFC 8520 document."""
    acls = {(way, family): _Acl(way, family) for way in ("from", "to") for family in ("ipv4", "ipv6")}
    left_out = 0
    for one in sorted({one for bound in wishes for one in bound.classes}, key=_order):
        if device_id not in {one.initiator.device_id, one.responder.device_id} or not _is_unicast(one):
            continue
        is_own = one.initiator.device_id == device_id
        peer = _peer(one.responder if is_own else one.initiator, names, hubs)
        if peer is None:
            left_out += 1
            continue
        for way in ("from", "to"):
            acls[way, one.family].add(one, peer, is_own=is_own)
    lists = [acl for acl in acls.values() if acl.aces]
    slug = device_id.replace("_", "-")
    moment = format_time(recorded_until_ns // NS_PER_SECOND * NS_PER_SECOND)
    mud: Document = {
        "mud-version": 1,
        "mud-url": f"https://mud.example/{slug}.json",
        # A damaged file may hold a time of no calendar; the leaf has to hold one.
        "last-update": moment if moment.endswith("Z") else format_time(0),
        "cache-validity": CACHE_VALIDITY_HOURS,
        "is-supported": True,
        "systeminfo": _plain(description)[:MAX_SYSTEMINFO_CHARACTERS],
    }
    # A device that needs nothing still gets lists: a description without any says nothing (section 2).
    lists = lists or [acls["from", "ipv4"], acls["to", "ipv4"]]
    for way in ("from", "to"):
        chosen = [{"name": acl.name} for acl in lists if acl.way == way]
        if chosen:
            mud[f"{way}-device-policy"] = {"access-lists": {"access-list": chosen}}
    document = {
        "ietf-mud:mud": mud,
        "ietf-access-control-list:acls": {"acl": [acl.document() for acl in lists]},
    }
    return UsageDescription(document, left_out)


class _Acl:
    """One list while it is being filled."""

    def __init__(self, way: str, family: str) -> None:
        self.way = way
        self.family = family
        self.name = f"{family[2:]}-{'fr' if way == 'from' else 'to'}"
        self.aces: dict[tuple[object, ...], Document] = {}

    def add(self, one: FlowClass, peer: Peer, *, is_own: bool) -> None:
        """Permit one direction of a conversation; the device's own port is known where it serves."""
        key = (peer.word, peer.value, one.transport, one.port, is_own)
        if key in self.aces or len(self.aces) >= MAX_ACES:
            return
        matches: Document = {self.family: {"protocol": _PROTOCOLS[one.transport]}}
        if peer.word == "name":
            side = "dst" if self.way == "from" else "src"
            matches[self.family][f"ietf-acldns:{side}-dnsname"] = peer.value
        else:
            matches["ietf-mud:mud"] = {peer.word: [None]}
        # Packets towards whoever serves carry its port as destination, those back as source.
        towards_server = (self.way == "from") == is_own
        transport: Document = {
            "destination-port" if towards_server else "source-port": {"operator": "eq", "port": one.port}
        }
        if one.transport == "tcp":
            transport["ietf-mud:direction-initiated"] = "from-device" if is_own else "to-device"
        matches[one.transport] = transport
        self.aces[key] = {
            "name": f"{'own' if is_own else 'peer'}-{len(self.aces)}-{self.way}",
            "matches": matches,
            "actions": {"forwarding": "accept"},
        }

    def document(self) -> Document:
        """As RFC 8519 writes it."""
        found: Document = {"name": self.name, "type": f"{self.family}-acl-type"}
        if self.aces:
            found["aces"] = {"ace": list(self.aces.values())}
        return found


@dataclass(frozen=True, slots=True)
class Peer:
    """Whom a list speaks of: a name, or one of the standard's classes."""

    word: str
    value: str


def _peer(end: End, names: Mapping[Address, str], hubs: frozenset[str]) -> Peer | None:
    if end.kind == "outside":
        name = names.get(end.address, "").rstrip(".").lower()
        # ietf-inet-types host-less domain names: a hostile one would only make the file invalid.
        if not name or len(name) > 253 or not all(_LABEL.fullmatch(part) for part in name.split(".")):
            return None
        return Peer("name", name)
    return Peer("my-controller" if end.device_id in hubs else "local-networks", "")


def _is_unicast(one: FlowClass) -> bool:
    return (
        one.transport in _PROTOCOLS
        and one.port > 0
        and one.family in {"ipv4", "ipv6"}
        and one.responder.kind in {"device", "router", "home", "outside"}
        and one.initiator_known
    )


def _order(one: FlowClass) -> tuple[str, ...]:
    return (one.family, one.transport, f"{one.port:05}", str(one.initiator), str(one.responder))


def _plain(text: str) -> str:
    return "".join(
        character if character.isascii() and character.isprintable() else "?" for character in text
    )
