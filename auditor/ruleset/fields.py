"""
The fields that rules may name, generated from the types of the facts.

A field of a fact class needs no entry here to be known to rules; what stands
here is what a type hint cannot say: which words a text field can hold, which
fields hold addresses, and which do not stay the same from night to night.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from operator import attrgetter
from typing import Any, Union, get_args, get_origin, get_type_hints

from auditor.flows.flow import FlowOutcome, InitiatorKnown, PacketReference, Period
from auditor.home.model import ROLES
from auditor.inventory.facts import FACT_CLASSES, Fact

Reader = Callable[[Fact], Any]
"""Gives the value of a field, a ``FieldValue``."""

FieldValue = bool | int | float | str | tuple[str, ...] | None
"""What a rule can meet in a field; None is unknown."""


class FieldKind(StrEnum):
    """How a field is written in a rule."""

    TRUTH = "true or false"
    WHOLE_NUMBER = "a whole number"
    DECIMAL_NUMBER = "a decimal number"
    TEXT = "text"
    TEXTS = "text, compared with each member"


@dataclass(frozen=True, slots=True)
class Field:
    """One field of one kind of fact, as rules name it."""

    name: str
    """As rules write it: ``effect``, ``from.role``, ``period.median_seconds``, ``outcomes.refused``."""
    path: tuple[str, ...]
    """Attributes and keys that lead to the value."""
    kind: FieldKind
    words: tuple[str, ...] | None
    """All values that a text field can hold; None: any."""
    is_address: bool
    identifies: bool
    """May stand in ``identity``: the same from night to night, no address, count or time."""

    def read(self, fact: Fact) -> FieldValue:
        """The value in this fact; a key that a mapping of counts lacks counts 0."""
        value: Any = fact
        for step in self.path:
            if value is None:
                return None
            value = value.get(step, 0) if isinstance(value, dict) else getattr(value, step)
        return value  # type: ignore[no-any-return]  # the kinds below are the only ones built

    @property
    def reader(self) -> Reader:
        """``read`` as a function for many facts: most fields are one attribute, which costs a third so."""
        return attrgetter(self.path[0]) if len(self.path) == 1 else self.read


_FAMILIES = ("ipv4", "ipv6")
_CONFIDENTIALITY = ("clear", "tls", "dtls", "quic", "unknown")
_SEGMENTS = ("same-segment", "other-segment", "internet")
_TRANSPORTS = ("tcp", "udp", "icmp", "icmpv6", "igmp", "arp")

# The same lists stand in the docstrings of the fact classes; a test compares the two.
WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "device": {"roles": ROLES},
    "service": {
        "family": _FAMILIES,
        "transport": _TRANSPORTS,
        "state": ("answered", "refused", "silent", "announced"),
        "confidentiality": _CONFIDENTIALITY,
        "reached_from": _SEGMENTS,
    },
    "announcement": {"protocol": ("mdns", "ssdp", "ws-discovery", "upnp", "banner")},
    "remote-contact": {
        "initiator": ("device", "remote", "unknown"),
        "name_source": ("dns", "tls-sni", "quic-sni", "http-host", "none"),
        "family": _FAMILIES,
        "transport": _TRANSPORTS,
        "confidentiality": _CONFIDENTIALITY,
        "purpose": ("name-lookup", "time", "connectivity-probe", "update", "other"),
    },
    "local-contact": {
        "peer_role": ROLES,
        "family": _FAMILIES,
        "transport": _TRANSPORTS,
        "purpose": (
            "name-lookup",
            "time",
            "address-configuration",
            "discovery",
            "control",
            "search",
            "other",
        ),
        "initiator_known": tuple(InitiatorKnown),
    },
    "control": {
        "from_role": ROLES,
        "from_segment": _SEGMENTS,
        "effect": ("read", "light", "configuration", "firmware"),
        "authentication": ("none", "presented", "accepted", "rejected", "unknown"),
        "confidentiality": _CONFIDENTIALITY,
    },
    "secret": {
        "kind": ("password", "token", "user-name", "wifi-passphrase"),
        "reach": ("inside", "outside", "announced"),
        "direction": ("to-device", "from-device"),
    },
    "name-lookup": {"encryption": ("none", "tls", "quic", "https")},
    "encrypted-session": {
        "protocol": ("tls", "dtls", "quic"),
        "role": ("client", "server"),
        "version": ("1.0", "1.1", "1.2", "1.3"),
        "certificate_problem": ("expired", "not-yet-valid", "self-signed", "name-mismatch"),
    },
    "download": {"confidentiality": _CONFIDENTIALITY},
    "group-load": {},
    "port-mapping": {
        "by_role": ROLES,
        "protocol": ("igd", "nat-pmp", "pcp"),
        "state": ("granted", "refused", "requested", "searched"),
        "transport": _TRANSPORTS,
    },
    "wireless-network": {
        "part": ("access-point", "station", "unknown"),
        "security": ("open", "wep", "wpa", "wpa2", "wpa3", "owe", "rsn"),
    },
    "commissioning": {"kind": ("commissionable", "commissioner")},
    "separation": {"neighbour_roles": ROLES},
    "conversation-change": {
        "peer_role": ROLES,
        "place": ("home", "lights", "router", "outside", "group"),
        "family": _FAMILIES,
        "transport": _TRANSPORTS,
        "state": ("stopped", "works", "new", "not-tried", "not-visible"),
    },
}

ADDRESSES = frozenset({"address", "resolver_address"})

PASSING = ADDRESSES | {
    "count",
    "equal_priority",
    "failed_lookups",
    "external_port",
    "flows",
    "lifetime",
    "lifetime_seconds",
    "lookups",
    "neighbour_roles",
    "neighbours",
    "octets",
    "received_octets",
    "requests",
    "same_on_devices",
    "searched_addresses",
    "senders_of_same_universe",
    "sent_octets",
    "stations",
    "universes",
}
"""Fields that change between two recordings of one thing; decimal numbers, periods and outcomes do too."""

_KINDS: Mapping[Any, FieldKind] = {
    bool: FieldKind.TRUTH,
    int: FieldKind.WHOLE_NUMBER,
    float: FieldKind.DECIMAL_NUMBER,
    str: FieldKind.TEXT,
    tuple[str, ...]: FieldKind.TEXTS,
}


_PERIOD_PARTS = (("median_seconds", float), ("jitter_seconds", float), ("count", int), ("is_regular", bool))


def build_fields(about: str, fact_class: type[Fact]) -> dict[str, Field]:
    """
    The fields of one kind of fact by the name that rules use.

    Raises ``TypeError`` for a field whose type rules have no tests for: a
    fault of ours that the first import shows.
    """
    hints = get_type_hints(fact_class)
    built: dict[str, Field] = {}
    for entry in fields(fact_class):
        hint = _without_none(hints[entry.name])
        if entry.name in fact_class.NOT_FOR_RULES or hint == tuple[PacketReference, ...]:
            continue
        name = _as_written(entry.name, fact_class.PEERS)
        if hint is Period:
            for part, kind in _PERIOD_PARTS:
                path = (entry.name, part)
                built[f"{name}.{part}"] = Field(f"{name}.{part}", path, _KINDS[kind], None, False, False)
        elif get_origin(hint) is Mapping:
            for outcome in FlowOutcome:
                path = (entry.name, outcome.value)
                built[f"{name}.{outcome}"] = Field(
                    f"{name}.{outcome}", path, FieldKind.WHOLE_NUMBER, None, False, False
                )
        elif hint in _KINDS:
            identifies = entry.name not in PASSING and hint is not float
            words = WORDS.get(about, {}).get(entry.name)
            is_address = entry.name in ADDRESSES
            built[name] = Field(name, (entry.name,), _KINDS[hint], words, is_address, identifies)
        else:
            raise TypeError(f"rules have no test for {fact_class.__name__}.{entry.name}: {hint}")
    return built


def _without_none(hint: Any) -> Any:
    if get_origin(hint) in (Union, types.UnionType):
        kept = [part for part in get_args(hint) if part is not type(None)]
        if len(kept) == 1:
            return kept[0]
    return hint


def _as_written(name: str, peers: tuple[str, ...]) -> str:
    for peer in peers:
        if name.startswith(f"{peer}_"):
            return f"{peer}.{name.removeprefix(f'{peer}_')}"
    return name


FIELDS: Mapping[str, Mapping[str, Field]] = {
    about: build_fields(about, fact_class) for about, fact_class in FACT_CLASSES.items()
}
"""By the words of ``about:``, then by field name."""


def peer_fields(about: str) -> frozenset[str]:
    """Names of the fields that hold another device's id."""
    return frozenset(f"{peer}.id" for peer in FACT_CLASSES[about].PEERS)


def peers_of(fact: Fact) -> tuple[str, ...]:
    """Ids of the other devices that the fact names."""
    return tuple(str(getattr(fact, f"{peer}_id")) for peer in fact.PEERS)
