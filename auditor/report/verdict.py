"""
The answer in one sentence, read from the document alone.

Four answers (needs section 6): do now, do when convenient, nothing to do now,
we cannot tell.  Open questions never count as good: a verdict of nothing to do
says how many of them stay open.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import Any

from auditor.report.document import NOTHING_JUDGED
from auditor.value_class import value_class

Document = dict[str, Any]

SEVERITY_ORDER = ("info", "low", "medium", "high", "critical")

ACTION_FROM = "medium"
"""From here a finding asks for action; below it is a remark."""

MAX_FIRST_ACTIONS = 3
"""A household does three things in an evening; a longer list is put aside (needs: at most three actions)."""


class Urgency(StrEnum):
    """What the household has to do, in words."""

    NOW = "Do now"
    CONVENIENT = "Do when convenient"
    NOTHING = "Nothing to do now"
    CANNOT_TELL = "We cannot tell"


@value_class
class Verdict:
    """One sentence and what limits it."""

    urgency: Urgency
    sentence: str
    limits: tuple[str, ...]
    """Sentences that must stand beside it."""


def findings_from(document: Document, severity: str) -> list[Document]:
    """Findings at or above a severity word; ``never`` gives none."""
    if severity not in SEVERITY_ORDER:
        return []
    lowest = SEVERITY_ORDER.index(severity)
    return [one for one in document["findings"] if SEVERITY_ORDER.index(one["severity"]) >= lowest]


def first_actions(document: Document) -> list[Document]:
    """The findings to begin with: at most ``MAX_FIRST_ACTIONS`` that ask for action, one of each rule."""
    first: dict[str, Document] = {}
    for one in findings_from(document, ACTION_FROM):
        first.setdefault(one["rule_id"], one)
    return list(first.values())[:MAX_FIRST_ACTIONS]


def nothing_judged(document: Document) -> Document | None:
    """The entry that says why nothing could be judged, or None."""
    for entry in document["coverage"]["could_not_see"]:
        if entry["question"] == NOTHING_JUDGED:
            found: Document = entry
            return found
    return None


def reach_verdict(document: Document) -> Verdict:
    """Weigh findings, open questions and what could be judged at all."""
    urgent, moderate = findings_from(document, "high"), findings_from(document, ACTION_FROM)
    entry = nothing_judged(document)
    if urgent:
        urgency = Urgency.NOW
        sentence = f"{_count(len(urgent), 'finding asks', 'findings ask')} for action now."
    elif moderate:
        urgency = Urgency.CONVENIENT
        sentence = f"{_count(len(moderate), 'finding is', 'findings are')} worth mending."
    elif entry is not None:
        urgency = Urgency.CANNOT_TELL
        sentence = entry["reason"]
    elif not any(one["outcome"] in {"found", "not-found"} for one in document["assessments"]):
        urgency = Urgency.CANNOT_TELL
        sentence = "no question could be answered from this recording."
    else:
        urgency = Urgency.NOTHING
        sentence = "we saw nothing that asks for action."
    limits = _limits(document)
    if entry is not None and urgency is not Urgency.CANNOT_TELL:
        limits.append(f"Beyond that we cannot tell: {entry['reason']}")
    return Verdict(urgency=urgency, sentence=sentence, limits=tuple(limits))


def _limits(document: Document) -> list[str]:
    outcomes = Counter(one["outcome"] for one in document["assessments"])
    asked = sum(outcomes.values()) - outcomes["not-applicable"]
    limits = []
    remarks = sum(one["severity"] in {"info", "low"} for one in document["findings"])
    if remarks:
        limits.append(f"{_count(remarks, 'remark', 'remarks')} besides, for you to know.")
    if outcomes["undetermined"]:
        limits.append(
            f"{outcomes['undetermined']} of {asked} questions stay open, because this recording could not "
            "show the answer. They do not count as good."
        )
    if document["accepted"]:
        accepted = _count(len(document["accepted"]), "finding was", "findings were")
        limits.append(f"{accepted} accepted earlier.")
    return limits


def _count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"
