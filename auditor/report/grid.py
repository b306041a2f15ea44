"""What the recording could see: a row for each question, answered by one of four words and three between."""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue, load_catalogue

Document = dict[str, Any]
Row = tuple[str, str]

SEEN, NOT_SEEN, NOT_TRIED, COULD_NOT = "seen", "not-seen", "not-tried", "could-not"
IN_PART, SOME, UNREADABLE = "in-part", "some", "unreadable"


def coverage_grid(document: Document, words: Catalogue | None = None) -> list[Row]:
    """Questions and answers in the words of a language, the first one where none is given."""
    said = words or load_catalogue()
    return [
        (said.say(f"grid.question.{question}"), said.say(f"grid.answer.{answer}"))
        for question, answer in answer_questions(document)
    ]


def answer_questions(document: Document) -> list[Row]:
    """
    Answers for the judged devices together, both as the ends of keys in the catalogue (``grid``).

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
    group_part = IN_PART if len(local) > len(talks) else COULD_NOT
    calls_in = [row for row in remote if row["initiator"] == "remote"]
    return [
        ("talk", possible(unicast, bool(talks or remote), NOT_SEEN)),
        ("directions", SEEN if "both-directions" in abilities else COULD_NOT),
        ("groups", SEEN if "multicast-visible" in abilities else group_part),
        ("names", SEEN if "names-visible" in abilities else COULD_NOT),
        ("content", SEEN if unicast and "payload-visible" in abilities else COULD_NOT),
        ("joining", _joining(abilities, phases)),
        ("local-control", _local_control(unicast, phases)),
        ("remote-control", possible(unicast, "remote-control" in phases, NOT_TRIED)),
        ("idle", possible(unicast, "idle" in phases, NOT_TRIED)),
        ("outside", possible(unicast, bool(remote), NOT_SEEN)),
        ("called", possible(unicast, bool(calls_in), NOT_SEEN)),
        ("update", possible(unicast, "update" in phases, NOT_SEEN)),
        ("restart", possible(unicast, "reboot" in phases, NOT_TRIED)),
    ]


def _local_control(unicast: bool, phases: set[str]) -> str:
    if "local-control" in phases:
        return SEEN
    if "local-control-encrypted" in phases:
        return UNREADABLE
    return NOT_TRIED if unicast else COULD_NOT


def _joining(abilities: set[str], phases: set[str]) -> str:
    if "joining-seen" in abilities:
        return SEEN
    return SOME if "joining" in phases else NOT_TRIED
