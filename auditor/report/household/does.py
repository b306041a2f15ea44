"""
What the lights do, in a few sentences: at home, outside, and when.

Sentences say what was seen; where nothing was seen they say so only if it could
have been, else that it could not.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from auditor.flows.flow import is_regular
from auditor.report.catalogue import Catalogue
from auditor.report.household.trim import trim
from auditor.report.pictures.contacts import Names, every, home_names

Document = dict[str, Any]

MAX_SENTENCES = 3
"""Under one heading: three of about eighty characters fill what the page has for it."""
MAX_NAMED = 2
"""In one sentence; the others are counted."""
MAX_NAME_CHARACTERS = 24
"""Half a line of the page's right column."""
LONG_PERIOD_SECONDS = 120
"""Above it a question to another device is no rhythm that a household would notice."""

_SHOW_PROTOCOLS = frozenset({"e131", "sacn", "artnet", "art-net", "ddp", "osc"})
_CLOSED = frozenset({"tls", "dtls", "quic"})


def at_home(document: Document, words: Catalogue) -> tuple[str, ...]:
    """Who drives the lights, whom they ask, what they tell everybody."""
    chosen = _chosen(document)
    names = home_names(document, words)
    found = _rules(document)
    said: list[str] = []
    drivers = [
        row["from_id"]
        for row in document["controls"]
        if row["device_id"] in chosen and row["effect"] == "light" and row["answered"] is not False
    ]
    if drivers:
        said.append(words.say("page.home.switched-by", names=_names(drivers, names, words)))
    if "light-control-without-login" in found:
        said.append(words.say("page.home.anyone"))
    elif "control-protocol-without-login" in found:
        said.append(words.say("page.home.anyone-show"))
    asked = [
        (row["peer_id"], row["period"]["median_seconds"])
        for row in document["local_contacts"]
        if row["device_id"] in chosen and _is_question(row)
    ]
    for peer, seconds in sorted(asked, key=lambda one: one[1])[:1]:
        name = trim(names(peer), MAX_NAME_CHARACTERS)
        said.append(words.say("page.home.asks", name=name, often=every(seconds, words)))
    if "searches-the-network" in found:
        said.insert(0, words.say("page.home.searches"))
    if any(row["device_id"] in chosen and row["state"] == "announced" for row in document["services"]):
        said.append(words.say("page.home.announces"))
    return _or_nothing(said, "page.home", document, words)


def outside(document: Document, words: Catalogue) -> tuple[str, ...]:
    """Whom they call on the internet, and who calls them."""
    chosen = _chosen(document)
    found = _rules(document)
    rows = [row for row in document["remote_contacts"] if row["device_id"] in chosen]
    said: list[str] = []
    if "service-reached-from-internet" in found:
        said.append(words.say("page.outside.reached"))
    if "port-mapping-granted" in found:
        said.append(words.say("page.outside.door"))
    calls = [row for row in rows if row["initiator"] != "remote" and row["application_protocol"] != "ntp"]
    if calls:
        hosts = {row["name"] or row["address"] for row in calls}
        closed = sum(row["confidentiality"] in _CLOSED for row in calls)
        is_open = any(row["confidentiality"] == "clear" for row in calls)
        how = "open" if is_open else "closed" if closed == len(calls) else "unknown"
        said.append(words.count(f"page.outside.calls.{how}", len(hosts)))
    if any(row["application_protocol"] == "ntp" for row in rows):
        said.append(words.say("page.outside.time"))
    if "controlled-through-cloud" in found:
        said.append(words.say("page.outside.cloud"))
    return _or_nothing(said, "page.outside", document, words)


def when(document: Document, words: Catalogue) -> tuple[str, ...]:
    """What goes on without anybody, and what takes time."""
    found = _rules(document)
    said: list[str] = []
    if "remote-contact-while-idle" in found:
        said.append(words.say("page.when.idle"))
    if "remote-standing-connection" in found:
        said.append(words.say("page.when.standing"))
    abilities = set(document["coverage"]["abilities"])
    if "unicast-with-device" in abilities and "idle-seen" in abilities and not said:
        said.append(words.say("page.when.quiet"))
    elif "idle-seen" not in abilities:
        said.append(words.say("page.when.unseen"))
    return tuple(said[:MAX_SENTENCES]) or (words.say("page.when.unseen"),)


def _or_nothing(said: list[str], key: str, document: Document, words: Catalogue) -> tuple[str, ...]:
    if said:
        return tuple(said[:MAX_SENTENCES])
    could = "unicast-with-device" in document["coverage"]["abilities"]
    return (words.say(f"{key}.nothing" if could else f"{key}.unseen"),)


def _chosen(document: Document) -> set[str]:
    return {device["device_id"] for device in document["devices"] if device["is_chosen"]}


def _rules(document: Document) -> set[str]:
    chosen = _chosen(document)
    return {one["rule_id"] for one in document["findings"] if one["device_id"] in chosen}


def _is_question(row: Document) -> bool:
    """A steady rhythm of conversations with one device."""
    period = row["period"]
    if period is None or row["peer_id"].startswith(("broadcast", "group:")):
        return False
    if row["application_protocol"] in _SHOW_PROTOCOLS or row["transport"] == "arp":
        return False
    seconds, jitter, count = period["median_seconds"], period["jitter_seconds"], period["count"]
    return seconds <= LONG_PERIOD_SECONDS and is_regular(seconds, jitter, count)


def _names(identifiers: Iterable[str], names: Names, words: Catalogue) -> str:
    distinct = list(dict.fromkeys(identifiers))
    shown = [trim(names(one), MAX_NAME_CHARACTERS) for one in distinct[:MAX_NAMED]]
    left = len(distinct) - len(shown)
    joined = f" {words.say('page.and')} ".join(shown)
    return f"{joined} {words.count('page.others', left)}" if left else joined
