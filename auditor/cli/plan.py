"""``auditor plan``: how to fence the lights off, tried on the recording before anything is changed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.audit import judged_status, run_and_print
from auditor.cli.exit import ExitStatus
from auditor.cli.options import AlarmFrom, OutputFormat
from auditor.cli.output import refuse_inputs, say, write_result
from auditor.cli.progress import Report
from auditor.errors import OutputError

if TYPE_CHECKING:
    from auditor.pipeline import PlanReport


RouterOption = Annotated[
    options.RouterAbility | None,
    typer.Option(
        "--router",
        help="What the router can do: nothing, a guest network, or segments of its own (VLAN). "
        "Default: what the home file says, else everything is tried.",
    ),
]
Folder = Annotated[
    Path | None,
    typer.Option(
        "--output",
        metavar="FOLDER",
        help="Write steps.md, rules.nft and mud.json there, each complete or not at all.",
    ),
]


def plan(
    captures: options.Captures,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    rules: options.RuleFolders = None,
    router: RouterOption = None,
    output_format: options.Format = OutputFormat.TEXT,
    output: Folder = None,
    alarm_from: options.Alarm = AlarmFrom.MEDIUM,
    reveal: options.Reveal = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Plan how to fence the lights off without breaking what must go on, and try it on the recording."""
    made: list[PlanReport] = []

    def run(progress: Report | None) -> PlanReport:
        from auditor import pipeline

        made.append(
            pipeline.plan(
                captures,
                devices=devices or (),
                home=home,
                rules=rules or (),
                router=None if router is None else router.value,
                reveal=reveal,
                strict=strict,
                progress=progress,
            )
        )
        return made[0]

    report = run_and_print(run, [*captures, *([home] if home else [])], output_format, None, quiet=quiet)
    if output is not None:
        _write_files(output, made[0], [*captures, *([home] if home else [])], quiet=quiet)
    if made[0].document["plan"] is None:
        return ExitStatus.COULD_NOT_JUDGE  # no plan is no judgement, whatever else was found
    return judged_status(report, alarm_from)


def _write_files(folder: Path, report: PlanReport, inputs: list[str | Path], *, quiet: bool) -> None:
    if not report.files:
        if not quiet:
            say(f"no plan, so nothing was written into {folder}")
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: {error.strerror or error}; nothing was written") from error
    for name in report.files:
        refuse_inputs(folder / name, inputs)
    for name, text in report.files.items():
        write_result(text, folder / name)
    if not quiet:
        say(f"wrote {', '.join(report.files)} into {folder}")
