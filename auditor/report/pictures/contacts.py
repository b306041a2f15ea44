"""
Who talks to whom, read from the redacted document: the rows of the picture, before anything is drawn.

Contacts of the chosen devices are joined by peer, opener, readability and
success.  Roles and nicknames stand for devices of the home, names for hosts
outside; addresses never appear.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any, Literal

from auditor.flows.flow import is_regular
from auditor.report import wording
from auditor.report.catalogue import Catalogue
from auditor.value_class import value_class

Document = dict[str, Any]

Zone = Literal["home", "outside"]
Opener = Literal["device", "peer", "unknown"]
Readability = Literal["readable", "encrypted", "unknown"]

FEW_FLOWS = 3
"""Up to here a thin arrow: what happens at a start and not again."""
MANY_PER_MINUTE = 1
"""From here a thick one: as often as a person would call all the time."""

_ENCRYPTED = frozenset({"tls", "dtls", "quic", "ssh"})
_BELOW_PAYLOAD = frozenset({"arp", "icmp", "icmpv6", "igmp"})
_ROLES = ("hub", "phone", "computer", "router", "resolver", "server", "broker", "recorder", "lighting")
"""What a household calls a device that has several roles, first one first."""
_PURPOSES = {"ntp": "time", "domain": "names"}


@value_class
class Arrow:
    """One way of talking with one peer."""

    opener: Opener
    readability: Readability
    stopped: bool
    """Every attempt stayed without an answer, or was refused."""
    flows: int
    period_seconds: float | None
    """Of a regular rhythm, else None."""
    weight: int
    """1 a few times, 2 often, 3 all the time."""


@value_class
class Peer:
    """One row of the picture."""

    zone: Zone
    name: str
    arrows: tuple[Arrow, ...]


_Key = tuple[Opener, Readability, bool]


class _Gathered:
    """What was counted for one peer."""

    def __init__(self) -> None:
        self.flows: Counter[_Key] = Counter()
        self.periods: dict[_Key, float] = {}

    def add(self, key: _Key, row: Document) -> None:
        self.flows[key] += row["flows"]
        found = row["period"]
        if found and is_regular(found["median_seconds"], found["jitter_seconds"], found["count"]):
            self.periods[key] = min(found["median_seconds"], self.periods.get(key, found["median_seconds"]))

    def arrows(self, minutes: float) -> tuple[Arrow, ...]:
        return tuple(
            Arrow(
                opener=key[0],
                readability=key[1],
                stopped=key[2],
                flows=flows,
                period_seconds=self.periods.get(key),
                weight=_weight(flows, self.periods.get(key), minutes),
            )
            for key, flows in sorted(self.flows.items(), key=lambda item: (-item[1], item[0]))
        )


def _weight(flows: int, period: float | None, minutes: float) -> int:
    if flows <= FEW_FLOWS:
        return 1
    if (period is not None and period <= 60 / MANY_PER_MINUTE) or flows >= MANY_PER_MINUTE * max(minutes, 1):
        return 3
    return 2


def gather_peers(document: Document, words: Catalogue) -> tuple[Peer, ...]:
    """Peers at home, then outside; whoever called from outside first, then those with the most flows."""
    chosen = {device["device_id"] for device in document["devices"] if device["is_chosen"]}
    name = home_names(document, words)
    gathered: dict[tuple[Zone, str], _Gathered] = defaultdict(_Gathered)
    answers = _readable_services(document)
    for row in document["local_contacts"]:
        mine, other = row["device_id"], row["peer_id"]
        if mine in chosen:
            opener: Opener = "device"
        elif other in chosen:
            opener, mine, other = "peer", other, mine
        else:
            continue
        if row["initiator_known"] == "unknown":
            opener = "unknown"
        group = other.startswith(("broadcast", "group:"))
        label = words.say("picture.contacts.everybody") if group else name(other)
        key = (opener, _local_readability(row, answers), not group and _stopped(row))
        gathered["home", label].add(key, row)
    for row in document["remote_contacts"]:
        if row["device_id"] not in chosen:
            continue
        begun: Opener = {"device": "device", "remote": "peer"}.get(row["initiator"], "unknown")  # type: ignore[assignment]
        readability = _confidentiality(row["confidentiality"])
        gathered["outside", _outside_name(row, words)].add((begun, readability, _stopped(row)), row)
    minutes = document["coverage"]["duration_seconds"] / 60
    peers = [
        Peer(zone=zone, name=label, arrows=found.arrows(minutes)) for (zone, label), found in gathered.items()
    ]
    return tuple(sorted(peers, key=_prominence))


def _prominence(peer: Peer) -> tuple[Any, ...]:
    """A call from outside is never folded away by what happens more often."""
    called_from_outside = peer.zone == "outside" and any(arrow.opener == "peer" for arrow in peer.arrows)
    return peer.zone, not called_from_outside, -sum(arrow.flows for arrow in peer.arrows), peer.name


def _stopped(row: Document) -> bool:
    """Datagrams that nobody answers are no attempt that failed: many protocols of shows never answer."""
    outcomes = row["outcomes"]
    if wording.was_answered(outcomes):
        return False
    if outcomes.get("refused") or outcomes.get("prohibited"):
        return True
    return row["transport"] != "udp" or row["application_protocol"] is None


def _confidentiality(word: str) -> Readability:
    return {"clear": "readable", "unknown": "unknown"}.get(word, "encrypted")  # type: ignore[return-value]


def _readable_services(document: Document) -> dict[tuple[str, str, int], Readability]:
    return {
        (row["device_id"], row["transport"], row["port"]): _confidentiality(row["confidentiality"])
        for row in document["services"]
    }


def _local_readability(row: Document, answers: dict[tuple[str, str, int], Readability]) -> Readability:
    protocol = row["application_protocol"]
    if row["transport"] in _BELOW_PAYLOAD:
        return "readable"
    if protocol is not None:
        return "encrypted" if protocol in _ENCRYPTED else "readable"
    return answers.get((row["peer_id"], row["transport"], row["port"]), "unknown")


def home_names(document: Document, words: Catalogue) -> Names:
    """What the picture calls each device of the home."""
    return Names(document["devices"], words)


class Names:
    """Nicknames, own host names of the chosen ones, else roles; two of one role differ by their pseudonym."""

    def __init__(self, devices: Iterable[Document], words: Catalogue) -> None:
        self._words = words
        self._names: dict[str, str] = {}
        roles: dict[str, list[str]] = defaultdict(list)
        for device in devices:
            own = device["nickname"] or (device["is_chosen"] and next(iter(device["hostnames"]), None))
            if own:
                self._names[device["device_id"]] = str(own).removesuffix(".local")
            else:
                roles[_role(device)].append(device["device_id"])
        for role, members in roles.items():
            called = words.say(f"picture.role.{role}")
            for identifier in members:
                end = identifier.rpartition("-")[2]
                self._names[identifier] = called if len(members) == 1 else f"{called} {end}"

    def __call__(self, identifier: str) -> str:
        """The name of a device_id; one that the document does not list is an unknown device."""
        return self._names.get(identifier) or self._words.say("picture.role.unknown")


def _role(device: Document) -> str:
    return next((role for role in _ROLES if role in device["roles"]), "unknown")


def _outside_name(row: Document, words: Catalogue) -> str:
    purpose = _PURPOSES.get(row["application_protocol"] or "")
    if row["name"]:
        return str(row["name"])
    return words.say(f"picture.contacts.outside.{purpose or 'nameless'}")


def often(arrow: Arrow, words: Catalogue) -> str:
    """``every 1 s``, ``12 times``; with *tried* where nothing came of it."""
    if arrow.period_seconds is not None and not arrow.stopped:
        return every(arrow.period_seconds, words)
    said = words.count("picture.often", arrow.flows)
    return words.say("picture.often.stopped", often=said) if arrow.stopped else said


def every(seconds: float, words: Catalogue) -> str:
    """``every 1.5 s``, ``every 20 min``."""
    unit, value = ("minutes", seconds / 60) if seconds >= 120 else ("seconds", seconds)
    number = f"{value:.0f}" if value >= 10 else f"{value:.1f}".removesuffix(".0")
    return words.say(f"picture.often.{unit}", number=number.replace(".", words.say("picture.decimal")))
