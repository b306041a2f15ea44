"""``auditor check``: what recordings can and cannot tell, without running a rule."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.cli import options
from auditor.cli.audit import run_and_print
from auditor.cli.exit import ExitStatus
from auditor.cli.options import OutputFormat
from auditor.cli.progress import Report

if TYPE_CHECKING:
    from auditor.pipeline import AuditReport


def check(
    captures: options.Captures,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    output_format: options.Format = OutputFormat.TEXT,
    output: options.Output = None,
    reveal: options.Reveal = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Tell what recordings can and cannot show, and the one thing to redo; runs no rule."""

    def run(progress: Report | None) -> AuditReport:
        from auditor import pipeline

        return pipeline.check(
            captures, devices=devices or (), home=home, reveal=reveal, strict=strict, progress=progress
        )

    report = run_and_print(run, [*captures, *([home] if home else [])], output_format, output, quiet=quiet)
    return ExitStatus.JUDGED if report.not_judged is None else ExitStatus.COULD_NOT_JUDGE
