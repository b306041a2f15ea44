"""
For each question that an earlier report left open: what in this recipe would answer it.

The questions are those of ``auditor.inventory``; one that is not known here
keeps the report's own advice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from auditor.inventory.abilities import QUESTIONS
from auditor.inventory.model import Ability
from auditor.recipe.places import Place, Shows, Sight
from auditor.report.document import NOTHING_JUDGED

MAX_QUESTIONS = 200
"""A report has some ten; a file that holds more is none of ours."""

_PLACE_ABILITIES: Mapping[Ability, Sight] = {
    "unicast-with-device": Sight.INTERNET,
    "both-directions": Sight.INTERNET,
    "names-visible": Sight.INTERNET,
    "payload-visible": Sight.INTERNET,
    "multicast-visible": Sight.GROUPS,
}
_STEP_ABILITIES: Mapping[Ability, tuple[str, ...]] = {
    "joining-seen": ("power-on",),
    "control-seen": ("app", "app-mobile", "hub", "voice"),
}
_BY_PLACE = {QUESTIONS[ability]: sight for ability, sight in _PLACE_ABILITIES.items()} | {
    NOTHING_JUDGED: Sight.INTERNET,
    "Who at home talks to the device?": Sight.PHONE,
    "Which device is it?": Sight.INTERNET,
    "What is inside the encrypted frames?": Sight.INTERNET,
    "How much was sent and received, and what was in it?": Sight.INTERNET,
}
_BY_STEP = {QUESTIONS[ability]: words for ability, words in _STEP_ABILITIES.items()} | {
    "Is the light controlled through the internet?": ("app-mobile", "voice"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One open question and what would close it."""

    question: str
    shown_by: str
    """``place``, ``actions``, ``quiet-time`` or ``other``."""
    words: str


def answers_for(
    document: Mapping[str, Any], best: Place, every: Sequence[Place], step_words: Sequence[str]
) -> tuple[Answer, ...]:
    """Go through ``coverage.could_not_see`` of a report; a place that shows more than the best is named."""
    answers: dict[tuple[str, str], Answer] = {}
    for entry in document["coverage"]["could_not_see"][:MAX_QUESTIONS]:
        answer = _answer(entry, best, every, step_words)
        answers.setdefault((answer.question, answer.words), answer)
    return tuple(answers.values())


def _answer(
    entry: Mapping[str, str], best: Place, every: Sequence[Place], step_words: Sequence[str]
) -> Answer:
    question = entry["question"]
    if (sight := _BY_PLACE.get(question)) is not None:
        return Answer(question=question, shown_by="place", words=_by_place(sight, best, every))
    if (known := _BY_STEP.get(question)) is not None:
        steps = [word for word in known if word in step_words]
        words = (
            f"{'the actions' if len(steps) > 1 else 'the action'} {', '.join(steps)} of the list, with "
            f"the time{'s' if len(steps) > 1 else ''}"
            if steps
            else entry["record_next"]
        )
        return Answer(question=question, shown_by="actions", words=words)
    if question == QUESTIONS["idle-seen"]:
        words = "the quiet minutes of the list and the night afterwards, with the times of the actions noted"
        return Answer(question=question, shown_by="quiet-time", words=words)
    return Answer(question=question, shown_by="other", words=entry["record_next"])


def _by_place(sight: Sight, best: Place, every: Sequence[Place]) -> str:
    if best.shows[sight] is Shows.YES:
        return f"recording {best.title}"
    better = next((place for place in every if place.shows[sight] is Shows.YES), None)
    if better is not None:
        return f"recording {better.title}; {best.title} does not show it for certain"
    return (
        "none of the places at hand shows it for certain; a hotspot of a computer, a switch with a mirror "
        "port or a router that records would"
    )
