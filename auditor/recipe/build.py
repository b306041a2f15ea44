"""The whole recipe, as a value that every form of output reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from auditor.recipe.answers import Answer, answers_for
from auditor.recipe.commands import RING_FILE_MEGABYTES, RING_FILES, Commands, commands_for
from auditor.recipe.places import Place, Shows, Sight, rank_places, wanted_sights
from auditor.recipe.situation import PlaceId, Situation
from auditor.recipe.size import Part, estimate
from auditor.recipe.steps import NIGHT_HOURS, Step, Wait, list_steps, still_open


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Where, how long, with which command and which actions."""

    situation: Situation
    best: Place
    others: tuple[Place, ...]
    wanted: tuple[Sight, ...]
    can_judge: bool
    """Whether an audit of such a recording can judge the light at all."""
    parts: tuple[Part, ...]
    night_parts: tuple[Part, ...]
    ring_octets: int
    commands: Commands
    steps: tuple[Step, ...]
    waits: tuple[Wait, ...]
    answers: tuple[Answer, ...]

    @property
    def octets(self) -> int:
        """On the disk, of the light alone; others' traffic comes on top where no device is chosen."""
        return sum(part.octets for part in self.parts)


def propose_recipe(situation: Situation, report: Mapping[str, Any] | None = None) -> Recipe:
    """``report``: the document of an earlier run (schema 1), whose open questions are answered."""
    best, *others = rank_places(situation)
    steps = list_steps(situation.keep)
    polls = "light-follows-hub" in situation.keep
    words = [step.word for step in steps if step.word is not None]
    return Recipe(
        situation=situation,
        best=best,
        others=tuple(others),
        wanted=wanted_sights(situation.keep),
        can_judge=best.place_id is not PlaceId.OWN_HOST and best.shows[Sight.INTERNET] is not Shows.NO,
        parts=estimate(situation.minutes, polls_hub=polls, universes=situation.universes),
        night_parts=estimate(NIGHT_HOURS * 60, polls_hub=polls, universes=0),
        ring_octets=RING_FILES * RING_FILE_MEGABYTES * 1_000_000,
        commands=commands_for(best.place_id, situation),
        steps=steps,
        waits=still_open(situation.minutes),
        answers=() if report is None else answers_for(report, best, (best, *others), words),
    )
