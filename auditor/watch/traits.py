"""
What a redacted document says of the home, on keys that stay the same from night to night.

Keys hold names, ports, protocols and directions, never addresses, counts or
times: the same name at another address of a content network is the same.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from functools import partial
from typing import Any, NamedTuple

Document = Mapping[str, Any]

FIRST_DYNAMIC_PORT = 49_152
"""RFC 6335 section 6: from here on ports are given out for one conversation."""
PRIVATE_ROLES = frozenset({"phone", "computer", "unknown"})
"""Who makes up new link addresses (scenario S11); a router, hub or light with one is told."""
SIGHTS: Mapping[str, str] = {
    "unicast-with-device": "its talk with single devices",
    "both-directions": "both directions of its talk",
}
"""Abilities that hang on the place alone, not on what anybody did, and what their loss hides."""
NO_NAME = "(no name)"
MAX_FIELD_CHARACTERS = 300
"""Of an item or label: a domain name has 253 (RFC 1035 2.3.4), and a line of ours is cut there."""
MAX_TRAITS = 5_000
"""Of one night: a home has hundreds; a recording made to flood the history must not push out the rest."""
ANSWERED, STOPPED = "answered", "stopped"
"""Values of ``works``; of two that are seen at once the first by the alphabet counts."""

_NUMBER = re.compile(r"\d+")
# Eight or more hexadecimal digits with a digit among them: made up anew for each server or session.
_MADE_UP = re.compile(r"(?=[0-9a-f-]*\d)[0-9a-f-]{8,}")
_PSEUDONYM = re.compile(r"[a-z]+-([0-9a-f]{4})[0-9a-f]*(-\d+)?")


class Trait(NamedTuple):
    """One thing that a night showed."""

    kind: str
    """``device``, ``judged``, ``contact``, ``clear``, ``service``, ``finding``, ``software``, ``works``,
    ``sight``, ``recording``, ``named``."""
    device: str
    item: str
    value: str
    label: str
    """As a line names it."""

    @property
    def key(self) -> tuple[str, str, str]:
        """Kind, device, item."""
        return self.kind, self.device, self.item


class Night(NamedTuple):
    """What one judged document shows."""

    traits: dict[tuple[str, str, str], Trait]
    names: dict[str, str]
    """How a line calls a device, by its stable key."""
    not_found: frozenset[tuple[str, str]]
    """Rule and device for which the recording could have shown a finding and did not."""
    has_update: frozenset[str]
    """Devices that announced another version, or fetched one; filled by the comparison."""


def stable_device(device_id: str, is_chosen: bool) -> str:
    """
    A judged device's identifier, else the digits of a pseudonym without its role, which may be learnt later.

    Only the first four digits count: two devices that share them make each
    other's longer on the nights on which both are there.
    """
    if is_chosen:
        return device_id
    match = _PSEUDONYM.fullmatch(device_id)
    return match.group(1) + (match.group(2) or "") if match else device_id


def stable_name(name: str | None) -> str:
    """A contact's name with counted and made-up labels levelled: ``edge-17.example``, ``edge-#.example``."""
    if not name:
        return NO_NAME
    labels = name.casefold().rstrip(".").split(".")
    return ".".join("*" if _MADE_UP.fullmatch(label) else _NUMBER.sub("#", label) for label in labels)


def read_night(document: Document, wishes: AbstractSet[str] = frozenset()) -> Night:
    """
    All traits of one redacted document of schema 1.

    ``wishes`` are those of the home file: what is lost of them is named so.
    """
    devices = document["devices"]
    keys = {row["device_id"]: stable_device(row["device_id"], row["is_chosen"]) for row in devices}
    names = {keys[row["device_id"]]: _name(row) for row in devices}

    def key(device_id: str) -> str:
        return keys.get(device_id) or stable_device(device_id, False)

    traits: dict[tuple[str, str, str], Trait] = {}
    readers: tuple[Callable[[Document, Callable[[str], str], Mapping[str, str]], Iterator[Trait]], ...] = (
        _device_traits, _contact_traits, _service_traits, _finding_traits, _recording_traits,
        partial(_reach_traits, wishes), partial(_outside_traits, wishes),
    )  # fmt: skip
    for reader in readers:
        for seen in reader(document, key, names):
            if len(traits) >= MAX_TRAITS:
                break
            trait = Trait(*map(_storable, seen))
            known = traits.get(trait.key)
            # A finding or try that is seen twice under one key: the answered one counts.
            if known is None or known.value > trait.value:
                traits[trait.key] = trait
    not_found = frozenset(
        (row["rule_id"], key(row["device_id"]))
        for row in document["assessments"]
        if row["outcome"] == "not-found"
    )
    fetched = frozenset(
        key(row["device_id"])
        for row in document["devices"]
        if row["is_chosen"] and "update" in document["coverage"]["phases"]
    )
    return Night(traits, names, not_found, fetched)


def _storable(text: str) -> str:
    """A recorded name may hold what no encoding has (lone surrogates), and be as long as its sender likes."""
    return text[:MAX_FIELD_CHARACTERS].encode("utf-8", "backslashreplace").decode()


def _name(row: Document) -> str:
    return str(row["nickname"] or next(iter(row["hostnames"]), None) or row["device_id"])


def _device_traits(
    document: Document, key: Callable[[str], str], names: Mapping[str, str]
) -> Iterator[Trait]:
    for row in document["devices"]:
        device = key(row["device_id"])
        if row["is_chosen"]:
            yield Trait("judged", device, "", "", names[device])
        comes_and_goes = row["locally_administered"] and set(row["roles"]) <= PRIVATE_ROLES
        if row["is_chosen"] or not comes_and_goes:
            yield Trait("device", device, "", "", names[device])
        for one in row["software"]:
            yield Trait("software", device, one["service_name"], one["version"], one["version"])


def _contact_traits(document: Document, key: Callable[[str], str], _: Mapping[str, str]) -> Iterator[Trait]:
    for row in document["remote_contacts"]:
        device, name = key(row["device_id"]), stable_name(row["name"])
        port = _port(row["transport"], row["port"])
        answered = "" if _worked(row["outcomes"]) else ", not answered"
        called = row["name"] or NO_NAME
        if (
            row["initiator"] == "remote"
        ):  # who calls from outside has as many names and ports as there are callers
            yield Trait("contact", device, "from outside", "", f"a call from outside to {row['transport']}")
            continue
        yield Trait("contact", device, f"{name}|{port}", "", f"{called} ({port}{answered})")
        yield Trait("named", device, name, "", str(called))
        if row["confidentiality"] == "clear":
            yield Trait("clear", device, name, "", f"{called} ({port})")


def _service_traits(document: Document, key: Callable[[str], str], _: Mapping[str, str]) -> Iterator[Trait]:
    chosen = {row["device_id"] for row in document["devices"] if row["is_chosen"]}
    for row in document["services"]:
        if row["state"] not in {"answered", "announced"} or row["device_id"] not in chosen:
            continue
        device, port = key(row["device_id"]), _port(row["transport"], row["port"])
        yield Trait("service", device, port, "", f"{port} ({row['application_protocol'] or row['state']})")
        if row["confidentiality"] == "clear":
            yield Trait("clear", device, f"service {port}", "", f"its service at {port}")


def _finding_traits(document: Document, key: Callable[[str], str], _: Mapping[str, str]) -> Iterator[Trait]:
    for row in document["findings"]:
        device = "network" if row["device_id"] == "network" else key(row["device_id"])
        yield Trait(
            "finding", device, row["finding_id"], f"{row['severity']} {row['rule_id']}", row["household"]
        )


def _reach_traits(
    wishes: AbstractSet[str], document: Document, key: Callable[[str], str], names: Mapping[str, str]
) -> Iterator[Trait]:
    """Who is answered by whom, on connections alone: a datagram without answer proves nothing."""
    roles = {row["device_id"]: set(row["roles"]) for row in document["devices"]}
    for row in document["local_contacts"]:
        peer = row["peer_id"]
        value = _answer(row["outcomes"])
        if row["transport"] != "tcp" or peer == "broadcast" or peer.startswith("group:") or value is None:
            continue
        begins, answers = key(row["device_id"]), key(peer)
        port = _port("tcp", row["port"])
        wish = _wish(roles.get(row["device_id"], set()), roles.get(peer, set()))
        label = f"{names.get(begins, begins)} to {names.get(answers, answers)}, {port}"
        lost = f" (lost wish: {wish})" if wish in wishes else ""
        yield Trait("works", begins, f"{answers} {port}", value, f"{label}{lost if value == STOPPED else ''}")


def _outside_traits(
    wishes: AbstractSet[str], document: Document, key: Callable[[str], str], names: Mapping[str, str]
) -> Iterator[Trait]:
    """Contacts outside that the household wishes for; others may fall silent without a line."""
    for row in document["remote_contacts"]:
        wish = (
            "time" if row["application_protocol"] == "ntp" else "cloud" if row["transport"] == "tcp" else None
        )
        value = _answer(row["outcomes"])
        if row["initiator"] != "device" or wish not in wishes or value is None:
            continue
        device, called, port = (
            key(row["device_id"]),
            row["name"] or NO_NAME,
            _port(row["transport"], row["port"]),
        )
        # Pools and content networks have many names: the wish is kept as long as one of them answers.
        label = f"{names.get(device, device)} to {called}, {port}"
        lost = f" (lost wish: {wish})" if value == STOPPED else ""
        yield Trait("works", device, f"wish {wish}", value, f"{label}{lost}")


def _wish(begins: AbstractSet[str], answers: AbstractSet[str]) -> str:
    """The wish of the home file that a conversation between two roles stands for."""
    if "lighting" in begins and answers & {"hub", "broker"}:
        return "light-follows-hub"
    if "lighting" in begins:
        return "light-to-light" if "lighting" in answers else ""
    if "lighting" in answers:
        return "hub-controls-light" if begins & {"hub", "broker"} else "phone-control"
    return ""


def _answer(outcomes: Mapping[str, int]) -> str | None:
    """Answered or not; None where nobody tried in a way that shows it."""
    if _worked(outcomes):
        return ANSWERED
    return STOPPED if any(outcomes.get(word) for word in ("unanswered", "refused", "prohibited")) else None


def _recording_traits(document: Document, _: Callable[[str], str], __: Mapping[str, str]) -> Iterator[Trait]:
    for ability in document["coverage"]["abilities"]:
        if ability in SIGHTS:
            yield Trait("sight", "", ability, "", SIGHTS[ability])
    kinds = {issue["kind"]: issue for capture in document["captures"] for issue in capture["issues"]}
    for kind in sorted(kinds.keys() & {"dropped", "hole", "clock", "bypassed"}):
        yield Trait("recording", "", kind, "", str(kinds[kind]["detail"]))


def _worked(outcomes: Mapping[str, int]) -> bool:
    return any(outcomes.get(word) for word in ("established", "mid-stream"))


def _port(transport: str, port: int) -> str:
    return f"{transport} {'dynamic' if port >= FIRST_DYNAMIC_PORT else port}"
