"""
Tonight against what is known: what changed, and what is known afterwards.

No clock but the one handed in, no database: values in, values out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from auditor.store.history import KnownFact, NewChange
from auditor.watch.traits import Night, Trait

Key = tuple[str, str, str]

LEARNING_NIGHTS = 7
"""Judged nights in which a home, and afterwards each newly judged device, is got to know: what happens once a
week is then known."""
FORGET_NIGHTS = 90
"""Judged nights without a sight after which something is forgotten, and would be told as new again."""
STEADY_NIGHTS = 5
"""A finding that was there on so many nights, and on each that could show it, is told as gone at once."""
GONE_NIGHTS = 14
"""One that came and went is told as gone when so many nights in a row could have shown it and did not."""
REOPEN_NIGHTS = 35
"""Something told and not accepted is told again when it comes back after so many nights without it: more than
a month, so that what happens once a month is told once."""
WAVERING_NIGHTS = 3
"""A connection that came and went before is told as stopped when it failed on so many nights in a row."""
USUAL_DAY_UPDATES = 3
"""Updates on one day of the week after which that day is called usual."""
LOUD_IN_LEARNING = frozenset({"finding"})
"""Told from the second night on: whoever waits a week for these waits too long."""
SEVERITIES = ("info", "low", "medium", "high", "critical")

_WEIGHTS: Mapping[str, int] = {
    "finding": 50, "works": 45, "service": 40, "clear": 35, "device": 30, "contact": 25, "software": 20,
    "sight": 60, "recording": 15, "gone": 10,
}  # fmt: skip


class Outcome(NamedTuple):
    """What a night comes to."""

    changes: tuple[NewChange, ...]
    facts: tuple[KnownFact, ...]
    """Facts that are new or have changed, tonight's among them."""
    forgotten: tuple[Key, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the user may set."""

    alarm_from: str = "medium"
    """Findings of less weight are learnt in silence."""
    learning_nights: int = LEARNING_NIGHTS


def compare_night(
    night: Night,
    known: Sequence[KnownFact],
    *,
    number: int,
    now_ns: int,
    limits: Limits,
    usual_day: frozenset[str] = frozenset(),
) -> Outcome:
    """
    Compare one judged night with what is known.

    ``number`` counts judged nights from 1.  The first one only learns.
    ``usual_day`` holds the devices that mostly update on tonight's day of the week.
    """
    return _Comparison(night, known, number, now_ns, limits, usual_day).run()


class _Comparison:
    def __init__(
        self,
        night: Night,
        known: Sequence[KnownFact],
        number: int,
        now_ns: int,
        limits: Limits,
        usual_day: frozenset[str],
    ) -> None:
        self._night = night
        self._known = {fact.key: fact for fact in known}
        self._number = number
        self._now_ns = now_ns
        self._limits = limits
        self._usual_day = usual_day
        self._changes: list[NewChange] = []
        self._facts: dict[Key, KnownFact] = {}
        self._news = night.traits.keys() - self._known.keys()
        self._updated = set(night.has_update)

    def run(self) -> Outcome:
        order = sorted(self._night.traits.values(), key=lambda trait: (trait.kind != "software", trait))
        for trait in order:  # software first: it explains what else changed
            self._see(trait)
        forgotten = []
        for key, fact in self._known.items():
            if key in self._night.traits:
                continue
            self._miss(fact)
            if self._number - fact.last_night > FORGET_NIGHTS:
                forgotten.append(key)
                self._facts.pop(key, None)
        return Outcome(tuple(self._changes), tuple(self._facts.values()), tuple(forgotten))

    # Seen tonight

    def _see(self, trait: Trait) -> None:
        fact = self._known.get(trait.key)
        if fact is None:
            is_told = self._tell_new(trait)
            self._facts[trait.key] = KnownFact(
                kind=trait.kind, device=trait.device, item=trait.item, value=trait.value, label=trait.label,
                first_ns=self._now_ns, last_ns=self._now_ns, first_night=self._number,
                last_night=self._number, nights=1, absent=0, returns=0, state="open" if is_told else "known",
            )  # fmt: skip
            return
        if trait.kind == "works" and trait.value == "stopped":
            self._stop(trait, fact)
            return
        is_told = self._tell_again(trait, fact)
        self._facts[trait.key] = replace(
            fact,
            value=trait.value,
            label=trait.label,
            last_ns=self._now_ns,
            last_night=self._number,
            nights=fact.nights + 1,
            absent=0,
            returns=fact.returns + (fact.absent > 0),
            state="open" if is_told else "known" if fact.state == "gone" else fact.state,
        )

    def _tell_again(self, trait: Trait, fact: KnownFact) -> bool:
        name = self._name(trait)
        if trait.kind == "software":
            if trait.value == fact.value:
                return False
            self._updated.add(trait.device)
            day = ", on its usual day" if trait.device in self._usual_day else ""
            return self._tell(trait, f"{name}: software changed {fact.value} -> {trait.value}{day}")
        if trait.kind == "works":
            return fact.state == "gone" and self._tell(trait, f"answered again: {trait.label}")
        if trait.kind == "finding" and fact.state == "gone":
            return self._is_loud(trait) and self._tell(trait, f"{name}: found again: {_finding(trait)}")
        if trait.kind == "finding":
            return self._is_worse(trait, fact) and self._tell(trait, f"{name}: now {_finding(trait)}")
        is_back = fact.state == "open" and self._number - fact.last_night > REOPEN_NIGHTS
        return is_back and self._tell_new(trait)

    def _stop(self, trait: Trait, fact: KnownFact) -> None:
        """A connection was tried and not answered; who never was answered lost nothing."""
        absent = fact.absent + 1
        wanted = WAVERING_NIGHTS if fact.returns else 1
        is_told = fact.value == "answered" and fact.state != "gone" and absent >= wanted
        if is_told:
            self._tell(trait, f"no longer answered: {trait.label}")
        state = "gone" if is_told else fact.state
        self._facts[fact.key] = replace(fact, absent=absent, last_night=self._number, state=state)

    def _tell_new(self, trait: Trait) -> bool:
        if self._number == 1 or trait.kind in {"judged", "named", "works", "sight", "software"}:
            return False
        if trait.kind == "finding":
            return self._is_loud(trait) and self._tell(trait, f"{self._name(trait)}: {_finding(trait)}")
        if self._is_learning(trait):
            return False
        name = self._name(trait)
        match trait.kind:
            case "device":
                return self._tell(trait, f"new device: {trait.label}")
            case "contact":
                contact = trait.item.partition("|")[0]
                is_named = ("named", trait.device, contact) in self._known
                if is_named and ("clear", trait.device, contact) in self._news:
                    return False  # told as clear text
                clear = ", in clear text" if ("clear", trait.device, contact) in self._night.traits else ""
                new = "new way to" if is_named else "new contact"
                return self._tell(trait, f"{name}: {new} {trait.label}{clear}")
            case "clear":
                is_known = ("named", trait.device, trait.item) in self._known
                if trait.item.startswith("service "):
                    is_known = ("service", trait.device, trait.item.removeprefix("service ")) in self._known
                # What is new altogether is told by its own line.
                return is_known and self._tell(trait, f"{name}: newly in clear text: {trait.label}")
            case "service":
                return self._tell(trait, f"{name}: newly open service {trait.label}")
            case "recording":
                return self._tell(trait, f"the recording itself: {trait.item}: {trait.label}")
        return False

    # Not seen tonight

    def _miss(self, fact: KnownFact) -> None:
        if fact.kind not in {"finding", "sight"} or fact.state == "gone":
            return
        rule = fact.value.partition(" ")[2]
        if fact.kind == "finding" and (rule, fact.device) not in self._night.not_found:
            return  # it could not have been seen, or others of its kind were: nothing is proven
        absent = fact.absent + 1
        steady = 1 if fact.kind == "sight" else STEADY_NIGHTS
        is_gone = (fact.nights >= steady and not fact.returns and not fact.absent) or absent >= GONE_NIGHTS
        self._facts[fact.key] = replace(fact, absent=absent, state="gone" if is_gone else fact.state)
        trait = Trait(fact.kind, fact.device, fact.item, fact.value, fact.label)
        if is_gone and fact.kind == "sight":
            self._tell(trait, f"the recording could not show {fact.label}; earlier ones could")
        elif is_gone and self._is_loud(trait):
            self._tell(trait, f"{self._name(trait)}: no longer found: {_finding(trait)}", "gone")

    # Words

    def _tell(self, trait: Trait, line: str, weight: str | None = None) -> bool:
        heavy = _WEIGHTS[weight or trait.kind]
        if trait.kind == "finding" and weight is None:
            heavy += 10 * SEVERITIES.index(trait.value.partition(" ")[0])
        if trait.device in self._updated and trait.kind != "software":
            line += " (with its update)"
        self._changes.append(NewChange(trait.kind, trait.device, trait.item, line, heavy))
        return True

    def _name(self, trait: Trait) -> str:
        return self._night.names.get(trait.device) or trait.device or "the network"

    def _is_loud(self, trait: Trait) -> bool:
        severity = trait.value.partition(" ")[0]
        wanted = self._limits.alarm_from
        return wanted in SEVERITIES and SEVERITIES.index(severity) >= SEVERITIES.index(wanted)

    def _is_worse(self, trait: Trait, fact: KnownFact) -> bool:
        now, before = (SEVERITIES.index(value.partition(" ")[0]) for value in (trait.value, fact.value))
        return now > before and self._is_loud(trait)

    def _is_learning(self, trait: Trait) -> bool:
        """The home is still being got to know, or this device: one that is new brings its ways along."""
        if self._number <= self._limits.learning_nights:
            return True
        if trait.kind in {"device", "recording"}:
            return False
        judged = self._known.get(("judged", trait.device, ""))
        return judged is None or self._number - judged.first_night < min(
            self._limits.learning_nights, judged.first_night
        )


def _finding(trait: Trait) -> str:
    severity, _, rule = trait.value.partition(" ")
    return f"{severity} {rule}: {trait.label}"


def lines_of(changes: Iterable[NewChange]) -> list[str]:
    """Lines of changes, the heaviest first."""
    return [change.line for change in sorted(changes, key=lambda one: (-one.weight, one.line))]
