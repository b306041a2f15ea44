"""
What stands on the page, sentence by sentence, before any form is chosen.

Order and contents: what was looked at, the verdict, the picture, what the
lights do, at most three actions, what could not be seen, the next check.  Every
sentence comes from the catalogue of a language, a finding's own words from the
rules; names are the household's own nicknames, roles, and hosts outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from auditor.report.catalogue import FIRST_LANGUAGE, Catalogue
from auditor.report.household import does, unseen
from auditor.report.household.effort import EFFORTS
from auditor.report.household.trim import trim
from auditor.report.pictures.contacts import home_names
from auditor.report.verdict import Urgency, first_actions, nothing_judged, reach_verdict

Document = dict[str, Any]

NEXT_CHECK_DAYS = 90
"""As in the report: long enough to be done, short enough to notice new software or a new device."""

MAX_NAMED_LIGHTS = 2
"""By name; the others are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Characters that each part may have."""

    name: int
    why: int
    do: int
    changes: int
    undo: int
    sentences: int
    """Under each of the three headings of what the lights do."""

    def times(self, share: float) -> Budget:
        """A tighter one."""
        parts = (self.name, self.why, self.do, self.changes, self.undo)
        name, why, do, changes, undo = (int(part * share) for part in parts)
        sentences = max(1, round(self.sentences * share))
        return Budget(name=name, why=why, do=do, changes=changes, undo=undo, sentences=sentences)


USUAL = Budget(name=40, why=130, do=175, changes=110, undo=90, sentences=3)
"""Room for the sentences of every rule that is shipped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do."""

    finding_id: str
    why: str
    do: str
    who: str
    changes: str
    undo: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """All sentences, in order."""

    title: str
    looked_at: tuple[str, ...]
    urgency: Urgency
    verdict: str
    """The answer in a word or two."""
    sentence: str
    home: tuple[str, ...]
    outside: tuple[str, ...]
    when: tuple[str, ...]
    actions: tuple[Action, ...]
    no_action: str
    """Stands where there is no action."""
    more: str | None
    """How much more the long report holds."""
    unseen: tuple[str, ...]
    next_check: str
    ask: str
    revealed: bool


def build_page(document: Document, words: Catalogue, budget: Budget = USUAL) -> Page:
    """Read a redacted document."""
    verdict = reach_verdict(document)
    actions = tuple(_action(finding, words, budget) for finding in first_actions(document))
    told = {action.finding_id for action in actions}
    left = sum(one["finding_id"] not in told for one in document["findings"])
    judged = nothing_judged(document) is None
    return Page(
        title=words.say("page.title"),
        looked_at=_looked_at(document, words, budget.name),
        urgency=verdict.urgency,
        verdict=words.say(f"page.verdict.{_KEYS[verdict.urgency]}"),
        sentence=_sentence(document, verdict.urgency, len(actions), words),
        home=does.at_home(document, words)[: budget.sentences],
        outside=does.outside(document, words)[: budget.sentences],
        when=does.when(document, words)[: budget.sentences],
        actions=actions,
        no_action=words.say("page.actions.none" if judged else f"page.again.{unseen.place(document)}"),
        more=words.count("page.more", left) if left else None,
        unseen=unseen.sentences(document, words),
        next_check=_next_check(document, words),
        ask=words.say("page.ask"),
        revealed=bool(document["redaction"]["revealed"]),
    )


_KEYS = {
    Urgency.NOW: "now",
    Urgency.CONVENIENT: "convenient",
    Urgency.NOTHING: "nothing",
    Urgency.CANNOT_TELL: "cannot-tell",
}


def _sentence(document: Document, urgency: Urgency, actions: int, words: Catalogue) -> str:
    if urgency in {Urgency.NOW, Urgency.CONVENIENT}:
        return words.count(f"page.verdict.{_KEYS[urgency]}.sentence", actions)
    if urgency is Urgency.CANNOT_TELL:
        return words.say(f"page.cannot.{unseen.place(document)}")
    return words.say("page.verdict.nothing.sentence")


def _action(finding: Document, words: Catalogue, budget: Budget) -> Action:
    rule = finding["rule_id"]
    step = finding["remediation"][0] if finding["remediation"] else {"do": "", "stops": "", "undo": ""}

    def text(part: str, otherwise: str, most: int) -> str:
        # A household's own rule speaks its own language: no file of ours can hold its words.
        own = words.language != FIRST_LANGUAGE and words.has(f"rule.{rule}.{part}")
        return trim(words.say(f"rule.{rule}.{part}") if own else otherwise, most)

    effort = EFFORTS.get(rule)
    who = words.say("page.who.unknown")
    if effort is not None:
        minutes = words.count("page.minutes", effort.minutes)
        who = words.say("page.who", who=words.say(f"page.who.{effort.who}"), minutes=minutes)
    return Action(
        finding_id=finding["finding_id"],
        why=text("household", finding["household"], budget.why),
        do=text("do", step["do"], budget.do),
        who=who,
        changes=text("stops", step["stops"], budget.changes),
        undo=text("undo", step["undo"], budget.undo),
    )


def _looked_at(document: Document, words: Catalogue, most: int) -> tuple[str, ...]:
    names = home_names(document, words)
    lights = [device["device_id"] for device in document["devices"] if device["is_chosen"]]
    if lights:
        shown = [trim(names(light), most) for light in lights[:MAX_NAMED_LIGHTS]]
        thing = _and(words).join(shown)
        left = len(lights) - len(shown)
        thing += f" {words.count('page.others', left)}" if left else ""
    else:
        thing = words.say("page.no-light")
    first = _day_of(document["captures"][0]["first_seen"]) if document["captures"] else None
    day = words.say("page.no-date") if first is None else say_date(first, words)
    minutes = round(document["coverage"]["duration_seconds"] / 60)
    return (
        words.say("page.looked-at", thing=thing),
        words.say("page.recorded", date=day, minutes=_minutes(minutes, words)),
        words.say(f"page.from.{document['coverage']['vantage']}"),
    )


def _and(words: Catalogue) -> str:
    return f" {words.say('page.and')} "


def _minutes(minutes: int, words: Catalogue) -> str:
    if minutes < 1:
        return words.say("page.less-than-a-minute")
    if minutes < 180:
        return words.count("page.minutes", minutes)
    return words.count("page.hours", round(minutes / 60))


def _day_of(moment: str | None) -> date | None:
    try:
        return date.fromisoformat((moment or "")[:10])
    except ValueError:  # a clock far from any calendar: damaged files hold such
        return None


def say_date(day: date, words: Catalogue) -> str:
    """A day as a person writes it."""
    return words.say("page.date", day=day.day, month=words.say(f"page.month.{day.month}"), year=day.year)


def _next_check(document: Document, words: Catalogue) -> str:
    last = _day_of(document["captures"][-1]["last_seen"]) if document["captures"] else None
    if last is None or nothing_judged(document) is not None:
        return words.say("page.next.soon")
    try:
        return words.say("page.next", date=say_date(last + timedelta(days=NEXT_CHECK_DAYS), words))
    except OverflowError:
        return words.say("page.next.soon")
