"""The recipe as a printed card and as plain data; both read the same value."""

from __future__ import annotations

from typing import Any

from auditor.addresses import format_link
from auditor.recipe.build import Recipe
from auditor.recipe.places import SIGHT_WORDS, Place, Shows
from auditor.recipe.size import readable
from auditor.recipe.steps import NIGHT_HOURS, Wait
from auditor.report.outline import Fields, Heading, Items, Lines, Outline, Paragraph, Table

RECIPE_VERSION = 1

SHOWS_WORDS = {Shows.YES: "yes", Shows.PERHAPS: "perhaps", Shows.NO: "no"}

CAUTIONS = (
    "Record only a network that is yours or whose owner agreed, and tell the others at home.",
    "A recording holds everybody's talk, passwords among it: keep it to yourself, delete it when done.",
    "Before you pull a cable: no alarm, medical device, door lock or emergency lighting may hang on it.",
    "Never open a mains-powered device; that is work for a licensed electrician.",
    "Let no light flash quickly where somebody may be sensitive to it.",
)


def tell_recipe(recipe: Recipe) -> Outline:
    """One card: place, command, list of actions, what stays unseen."""
    blocks: Outline = [Heading(1, "How to record in this home"), *_place(recipe)]
    if recipe.situation.assumed:
        blocks += [Heading(2, "Taken for granted"), Items(recipe.situation.assumed)]
    blocks += [*_commands(recipe), *_steps(recipe), *_unseen(recipe), *_answers(recipe)]
    return [*blocks, Heading(2, "Before you start"), Items(CAUTIONS)]


def _place(recipe: Recipe) -> Outline:
    best = recipe.best
    head = f"Record {best.title}."
    if not recipe.can_judge:
        head += " An audit cannot judge a light from there: nothing better is at hand."
    blocks: Outline = [Paragraph(head), Paragraph(best.how)]
    if recipe.others:
        blocks.append(Paragraph(f"Why there: {_why(recipe)}"))
    places = [best, *recipe.others]
    rows = tuple(
        (*(SHOWS_WORDS[place.shows[sight]] for place in places), SIGHT_WORDS[sight])
        for sight in recipe.wanted
    )
    blocks.append(Table((*(place.place_id.value for place in places), "Shows"), rows))
    return blocks


def _why(recipe: Recipe) -> str:
    second = recipe.others[0]
    gained = [SIGHT_WORDS[sight] for sight in recipe.wanted if recipe.best.shows[sight] > second.shows[sight]]
    if not gained:
        return f"it shows as much as recording {second.title}, and is less trouble."
    return f"recording {second.title} would not show, or not for certain: {'; '.join(gained)}."


def _commands(recipe: Recipe) -> Outline:
    commands = recipe.commands
    minutes = recipe.situation.minutes
    night = sum(part.octets for part in recipe.night_parts)
    sums = "; ".join(f"{part.what}: {part.sum_text} = {readable(part.octets)}" for part in recipe.parts)
    size = f"about {readable(recipe.octets)} ({sums})"
    if recipe.situation.light is None:
        size += "; without --device the others' traffic comes on top"
    pairs = [
        (
            "How long",
            (
                f"{minutes} minutes with the list below; then one night untouched: the same command with "
                f"{NIGHT_HOURS * 60} minutes"
            ),
        ),
        ("On the disk", f"{size}; the night about {readable(night)}"),
        ("At most", f"{readable(recipe.ring_octets)}: the ring then writes over its oldest file"),
    ]
    return [
        Heading(2, "What to type"),
        Paragraph("Our recorder, each command in one line:"),
        Lines((commands.ours,)),
        Paragraph("Or a general recorder:"),
        Lines((commands.general,)),
        Paragraph("Afterwards, in the same folder:"),
        Lines((commands.afterwards,)),
        Fields(tuple(pairs)),
        *([Items(commands.remarks)] if commands.remarks else []),
    ]


def _steps(recipe: Recipe) -> Outline:
    rows = tuple((str(step.minute), "__:__:__", step.word or "(none)", step.do) for step in recipe.steps)
    return [
        Heading(2, "What to do while it records"),
        Paragraph(
            "While our recorder runs, type m, a space, the word and Enter at the moment you do it (m "
            "power-on): the time goes into the home file. With another recorder write the times down here "
            "and into the home file."
        ),
        Table(("Minute", "Done at", "Word", "Do"), rows),
    ]


def _unseen(recipe: Recipe) -> Outline:
    texts = [*recipe.best.limits]
    texts += [f"{_capital(wait.what)} may take {_span(wait)} ({wait.source})." for wait in recipe.waits]
    return [Heading(2, "What this recording will not show"), Items(tuple(texts))] if texts else []


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _span(wait: Wait) -> str:
    if wait.minutes >= 2 * 24 * 60:
        return f"up to {wait.minutes / 24 / 60:.0f} days"
    return f"{wait.minutes:.0f} minutes" if wait.minutes < 120 else f"{wait.minutes / 60:.0f} hours"


def _answers(recipe: Recipe) -> Outline:
    if not recipe.answers:
        return []
    pairs = tuple(f"{answer.question} Shown by: {answer.words}." for answer in recipe.answers)
    return [Heading(2, "What the earlier report could not see"), Items(pairs)]


def build_document(recipe: Recipe) -> dict[str, Any]:
    """Plain data; keys stand in the order of the card."""
    situation = recipe.situation
    return {
        "recipe_version": RECIPE_VERSION,
        "place": _place_data(recipe.best),
        "can_judge": recipe.can_judge,
        "other_places": [_place_data(place) for place in recipe.others],
        "wanted": [sight.value for sight in recipe.wanted],
        "assumed": list(situation.assumed),
        "minutes": situation.minutes,
        "light": None if situation.light is None else format_link(situation.light),
        "octets": {
            "estimate": recipe.octets,
            "night": sum(part.octets for part in recipe.night_parts),
            "at_most": recipe.ring_octets,
            "parts": [
                {"what": part.what, "sum": part.sum_text, "octets": part.octets} for part in recipe.parts
            ],
        },
        "commands": {
            "ours": recipe.commands.ours,
            "general": recipe.commands.general,
            "afterwards": recipe.commands.afterwards,
            "remarks": list(recipe.commands.remarks),
        },
        "actions": [
            {"minute": step.minute, "what": step.word, "do": step.do, "shows": step.shows}
            for step in recipe.steps
        ],
        "waits": [
            {"what": wait.what, "minutes": round(wait.minutes, 3), "source": wait.source}
            for wait in recipe.waits
        ],
        "answers": [
            {"question": one.question, "shown_by": one.shown_by, "how": one.words} for one in recipe.answers
        ],
        "cautions": list(CAUTIONS),
    }


def _place_data(place: Place) -> dict[str, Any]:
    return {
        "id": place.place_id.value,
        "title": place.title,
        "how": place.how,
        "shows": {sight.value: SHOWS_WORDS[shows] for sight, shows in place.shows.items()},
        "limits": list(place.limits),
    }
