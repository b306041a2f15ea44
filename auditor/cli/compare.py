"""``auditor compare``: what a change of the network stopped, what still works, what nobody tried."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.audit import judged_status, run_and_print
from auditor.cli.exit import ExitStatus
from auditor.cli.options import AlarmFrom, OutputFormat
from auditor.cli.progress import Report

if TYPE_CHECKING:
    from auditor.pipeline import CompareReport

Before = Annotated[
    str, typer.Argument(metavar="BEFORE", help="The recording from before the change, or a folder of it.")
]
After = Annotated[
    str, typer.Argument(metavar="AFTER", help="The recording of the same actions after the change.")
]


def compare(
    before: Before,
    after: After,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    rules: options.RuleFolders = None,
    output_format: options.Format = OutputFormat.TEXT,
    output: options.Output = None,
    alarm_from: options.Alarm = AlarmFrom.MEDIUM,
    reveal: options.Reveal = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Compare recordings from before and after a change: what stopped, what works, what nobody tried."""
    made: list[CompareReport] = []

    def run(progress: Report | None) -> CompareReport:
        from auditor import pipeline

        made.append(
            pipeline.compare(
                before,
                after,
                devices=devices or (),
                home=home,
                rules=rules or (),
                reveal=reveal,
                strict=strict,
                progress=progress,
            )
        )
        return made[0]

    report = run_and_print(
        run, [before, after, *([home] if home else [])], output_format, output, quiet=quiet
    )
    is_alarm = made[0].is_broken or bool(made[0].wishes_lost)
    if made[0].is_refused and not is_alarm:
        return ExitStatus.COULD_NOT_JUDGE  # no comparison is no judgement, whatever else was found
    if is_alarm and alarm_from is not AlarmFrom.NEVER:
        return ExitStatus.FINDINGS
    return judged_status(report, alarm_from)
