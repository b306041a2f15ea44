"""
The answer in one sentence, read from the document alone.

Four answers (needs section 6): do now, do when convenient, nothing to do now,
we cannot tell.  Open questions never count as good: a verdict of nothing to do
says how many of them stay open.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from auditor.report.document import NOTHING_JUDGED

Document = dict[str, Any]

SEVERITY_ORDER = ("info", "low", "medium", "high", "critical")


class Urgency(StrEnum):
    """What the household has to do, in words."""

    NOW = "Do now"
    CONVENIENT = "Do when convenient"
    NOTHING = "Nothing to do now"
    CANNOT_TELL = "We cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
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


def nothing_judged(document: Document) -> Document | None:
    """The entry that says why nothing could be judged, or None."""
    for entry in document["coverage"]["could_not_see"]:
        if entry["question"] == NOTHING_JUDGED:
            found: Document = entry
            return found
    return None


def reach_verdict(document: Document) -> Verdict:
    """Weigh findings, open questions and what could be judged at all."""
    limits = _limits(document)
    urgent, moderate = findings_from(document, "high"), findings_from(document, "medium")
    if urgent:
        sentence = f"{_count(len(urgent), 'finding asks', 'findings ask')} for action now."
        return Verdict(urgency=Urgency.NOW, sentence=sentence, limits=limits)
    if moderate:
        sentence = f"{_count(len(moderate), 'finding is', 'findings are')} worth mending."
        return Verdict(urgency=Urgency.CONVENIENT, sentence=sentence, limits=limits)
    if (entry := nothing_judged(document)) is not None:
        return Verdict(urgency=Urgency.CANNOT_TELL, sentence=entry["reason"], limits=limits)
    if not any(one["outcome"] in {"found", "not-found"} for one in document["assessments"]):
        sentence = "No question could be answered from this recording."
        return Verdict(urgency=Urgency.CANNOT_TELL, sentence=sentence, limits=limits)
    remarks = len(document["findings"])
    sentence = (
        f"We saw nothing that asks for action; {_count(remarks, 'remark stands', 'remarks stand')} below."
        if remarks
        else "We saw nothing that asks for action."
    )
    return Verdict(urgency=Urgency.NOTHING, sentence=sentence, limits=limits)


def _limits(document: Document) -> tuple[str, ...]:
    outcomes = Counter(one["outcome"] for one in document["assessments"])
    asked = sum(outcomes.values()) - outcomes["not-applicable"]
    limits = []
    if outcomes["undetermined"]:
        limits.append(
            f"{outcomes['undetermined']} of {asked} questions stay open, because this recording could not "
            "show the answer. They do not count as good."
        )
    if (entry := nothing_judged(document)) is not None and document["findings"]:
        limits.append(f"Beyond that we cannot tell: {entry['reason']}")
    if document["accepted"]:
        limits.append(
            f"{_count(len(document['accepted']), 'finding was', 'findings were')} accepted earlier."
        )
    return tuple(limits)


def _count(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"
