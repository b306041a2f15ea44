"""``auditor audit``: judge recordings by all rules."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.options import AlarmFrom, OutputFormat
from auditor.cli.output import columns_of, is_colourful, print_result, refuse_inputs, say, write_result
from auditor.cli.progress import Report, show_progress

if TYPE_CHECKING:
    from auditor.pipeline import AuditReport


def audit(
    captures: options.Captures,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    rules: options.RuleFolders = None,
    output_format: options.Format = OutputFormat.TEXT,
    output: options.Output = None,
    all_of_it: options.All = False,
    alarm_from: options.Alarm = AlarmFrom.MEDIUM,
    reveal: options.Reveal = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Judge recordings: whom does the light contact, who can control it, what could not be seen."""

    def run(progress: Report | None) -> AuditReport:
        from auditor import pipeline

        return pipeline.audit(
            captures,
            devices=devices or (),
            home=home,
            rules=rules or (),
            reveal=reveal,
            strict=strict,
            progress=progress,
        )

    inputs: list[str | Path] = [*captures, *([home] if home else [])]
    report = run_and_print(run, inputs, output_format, output, quiet=quiet, brief=not all_of_it)
    return judged_status(report, alarm_from)


def judged_status(report: AuditReport, alarm_from: AlarmFrom) -> ExitStatus:
    """Findings come before what could not be judged, as in the table of exit statuses."""
    if report.findings_from(alarm_from):
        return ExitStatus.FINDINGS
    return ExitStatus.JUDGED if report.not_judged is None else ExitStatus.COULD_NOT_JUDGE


def run_and_print(
    run: Callable[[Report | None], AuditReport],
    inputs: list[str | Path],
    output_format: OutputFormat,
    output: Path | None,
    *,
    quiet: bool,
    brief: bool = False,
) -> AuditReport:
    """Run with progress, then print or write the report in the wanted form; ``brief`` is for text alone."""
    refuse_inputs(output, inputs)
    with show_progress(quiet=quiet) as progress:
        report = run(progress)
    match output_format:
        case OutputFormat.JSON:
            text = report.to_json()
        case OutputFormat.MARKDOWN:
            text = report.to_markdown()
        case OutputFormat.HTML:
            text = report.to_html()
        case OutputFormat.TEXT:
            shown = sys.stdout if output is None else None
            colour = shown is not None and is_colourful(shown)
            text = report.to_text(colour=colour, columns=columns_of(shown), brief=brief)
    if output is None:
        print_result(text)
    else:
        write_result(text, output)
    if report.not_judged is not None and not quiet:
        say(f"could not judge: {report.not_judged}")
    return report
