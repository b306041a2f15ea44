"""What the recording could see: a row for each question, answered by one of four words."""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]
Row = tuple[str, str]

SEEN, NOT_SEEN, NOT_TRIED = "seen", "not seen", "not tried"
COULD_NOT = "could not be seen"
ENCRYPTED = "tried, not readable"


def coverage_grid(document: Document) -> list[Row]:
    """
    Answers for the judged devices together.

    *Not tried* is said of what somebody has to do for it to happen; *not seen*
    of what could have shown itself; neither is a proof of absence.
    """
    coverage = document["coverage"]
    abilities, phases = set(coverage["abilities"]), set(coverage["phases"])
    chosen = {device["device_id"] for device in document["devices"] if device["is_chosen"]}
    unicast = "unicast-with-device" in abilities

    def possible(is_possible: bool, was_seen: bool, otherwise: str) -> str:
        if was_seen:
            return SEEN
        return otherwise if is_possible else COULD_NOT

    local = [row for row in document["local_contacts"] if {row["device_id"], row["peer_id"]} & chosen]
    remote = [row for row in document["remote_contacts"] if row["device_id"] in chosen]
    talks = [row for row in local if not row["peer_id"].startswith(("broadcast", "group:"))]
    group_part = "seen in part" if len(local) > len(talks) else COULD_NOT
    calls_in = [row for row in remote if row["initiator"] == "remote"]
    return [
        ("Its talk with single devices", possible(unicast, bool(talks or remote), NOT_SEEN)),
        ("Both directions of that talk", SEEN if "both-directions" in abilities else COULD_NOT),
        ("What it says to everybody", SEEN if "multicast-visible" in abilities else group_part),
        ("Names of whom it contacts", SEEN if "names-visible" in abilities else COULD_NOT),
        ("Content that is not encrypted", SEEN if unicast and "payload-visible" in abilities else COULD_NOT),
        ("Joining the network", _joining(abilities, phases)),
        ("Control from inside the home", _local_control(unicast, phases)),
        ("Control through the internet", possible(unicast, "remote-control" in phases, NOT_TRIED)),
        ("Minutes in which nobody acted", possible(unicast, "idle" in phases, NOT_TRIED)),
        ("Contacts outside the home", possible(unicast, bool(remote), NOT_SEEN)),
        ("Calls from the internet to it", possible(unicast, bool(calls_in), NOT_SEEN)),
        ("An update", possible(unicast, "update" in phases, NOT_SEEN)),
        ("A restart", possible(unicast, "reboot" in phases, NOT_TRIED)),
    ]


def _local_control(unicast: bool, phases: set[str]) -> str:
    if "local-control" in phases:
        return SEEN
    if "local-control-encrypted" in phases:
        return ENCRYPTED
    return NOT_TRIED if unicast else COULD_NOT


def _joining(abilities: set[str], phases: set[str]) -> str:
    if "joining-seen" in abilities:
        return SEEN
    return "seen of some of them" if "joining" in phases else NOT_TRIED
