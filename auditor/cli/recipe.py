"""``auditor recipe``: where and how to record in this home, before anything is recorded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.options import PlainFormat
from auditor.cli.output import print_result, refuse_inputs, say, write_result
from auditor.recipe.situation import Link, PlaceId, System

if TYPE_CHECKING:
    from auditor.recipe.build import Recipe


Places = Annotated[
    list[PlaceId] | None,
    typer.Option("--place", help="Where you could record; may be repeated. Asked for on a terminal."),
]
SystemOption = Annotated[
    System | None, typer.Option("--system", help="Of the recording computer. Default: this one's.")
]
LinkOption = Annotated[Link | None, typer.Option("--light", help="How the light is connected.")]
Router = Annotated[
    options.RouterAbility | None, typer.Option("--router", help="What the router can do, for the home file.")
]
Keep = Annotated[
    list[str] | None,
    typer.Option("--keep", metavar="WISH", help="What must go on working; may be repeated."),
]
Minutes = Annotated[int | None, typer.Option("--minutes", help="How long to record. Default: 10.")]
Universes = Annotated[int, typer.Option("--universes", help="Universes of lighting data sent meanwhile.")]
Interface = Annotated[
    str | None, typer.Option("--interface", metavar="NAME", help="Interface of the recording computer.")
]
Light = Annotated[
    str | None, typer.Option("--device", metavar="LINK", help="Link address of the light, if you know it.")
]
Earlier = Annotated[
    Path | None,
    typer.Option(
        "--report",
        metavar="FILE",
        help="JSON of an earlier audit: says what would answer its open questions.",
    ),
]
Save = Annotated[
    Path | None,
    typer.Option(
        "--save", metavar="FILE", help="Write the home file; one that is there keeps its comments and lines."
    ),
]


def recipe(
    places: Places = None,
    system: SystemOption = None,
    light: LinkOption = None,
    router: Router = None,
    keep: Keep = None,
    minutes: Minutes = None,
    universes: Universes = 0,
    interface: Interface = None,
    device: Light = None,
    home: options.HomeFile = None,
    report: Earlier = None,
    save: Save = None,
    output_format: options.PlainForm = PlainFormat.TEXT,
    output: options.Output = None,
    quiet: options.Quiet = False,
) -> int:
    """Say where and how to record in this home: place, command, minutes, and the list of actions."""
    from auditor.cli.recipe_answers import Given, gather
    from auditor.recipe.build import propose_recipe
    from auditor.recipe.earlier import read_report
    from auditor.recipe.home import save_home

    inputs = [path for path in (home, report) if path is not None]
    refuse_inputs(output, inputs)
    answers = gather(
        Given(
            places=places,
            system=system,
            light_link=light,
            router=None if router is None else router.value,
            keep=keep,
            minutes=minutes,
            universes=universes,
            interface=interface,
            device=device,
            home=home or (save if save is not None and save.exists() else None),
            home_file=save or home,
        )
    )
    made = propose_recipe(answers.situation, None if report is None else read_report(report))
    _print(made, output_format, output)
    if save is not None:
        write_result(save_home(save, answers.additions, made), save)
        if not quiet:
            say(f"wrote the home file {save}; fill in the times of your actions")
    return ExitStatus.JUDGED if made.can_judge else ExitStatus.COULD_NOT_JUDGE


def _print(made: Recipe, output_format: PlainFormat, output: Path | None) -> None:
    from auditor.recipe.tell import build_document, tell_recipe
    from auditor.report.json import render_members
    from auditor.report.markdown import render_markdown
    from auditor.report.text import render_text

    match output_format:
        case PlainFormat.JSON:
            text = render_members(build_document(made))
        case PlainFormat.MARKDOWN:
            text = render_markdown(tell_recipe(made))
        case _:
            text = render_text(tell_recipe(made))
    if output is None:
        print_result(text)
    else:
        write_result(text, output)
