"""``auditor page``: one printed side for the household."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.audit import judged_status
from auditor.cli.options import AlarmFrom
from auditor.cli.output import print_result, refuse_inputs, say, write_octets, write_result
from auditor.cli.progress import show_progress
from auditor.errors import UsageError

if TYPE_CHECKING:
    from auditor.pipeline import AuditReport
    from auditor.report.household.layout import Paper


class PageFormat(StrEnum):
    """Forms of the page."""

    HTML = "html"
    MARKDOWN = "markdown"
    PDF = "pdf"


class PaperSize(StrEnum):
    """Sheets."""

    A4 = "a4"
    LETTER = "letter"


Form = Annotated[PageFormat, typer.Option("--format", help="pdf needs an installed browser and --output.")]
Language = Annotated[str, typer.Option("--language", metavar="TAG", help="en or de.")]
PaperOption = Annotated[PaperSize, typer.Option("--paper", help="Sheet that it is printed on.")]


def page(
    captures: options.Captures,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    rules: options.RuleFolders = None,
    output_format: Form = PageFormat.HTML,
    language: Language = "en",
    paper: PaperOption = PaperSize.A4,
    output: options.Output = None,
    alarm_from: options.Alarm = AlarmFrom.MEDIUM,
    reveal: options.Reveal = False,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Write one side for the household: what the light does, what to do, what nobody could see."""
    from auditor import pipeline
    from auditor.report.catalogue import load_catalogue

    refuse_inputs(output, [*captures, *([home] if home else [])])
    load_catalogue(language)  # a wrong tag is told before a long reading
    browser = None
    if output_format is PageFormat.PDF:
        from auditor.cli.print_pdf import find_browser

        if output is None:
            raise UsageError("--format pdf", "expected --output FILE, for a terminal cannot show it")
        browser = find_browser()
    with show_progress(quiet=quiet) as progress:
        report = pipeline.audit(
            captures,
            devices=devices or (),
            home=home,
            rules=rules or (),
            reveal=reveal,
            strict=strict,
            progress=progress,
        )
    text = render(report, output_format, language, paper.value)
    if browser is not None and output is not None:
        from auditor.cli.print_pdf import print_pdf

        write_octets(print_pdf(text, browser), output)
    elif output is None:
        print_result(text)
    else:
        write_result(text, output)
    if report.not_judged is not None and not quiet:
        say(f"could not judge: {report.not_judged}")
    return judged_status(report, alarm_from)


def render(report: AuditReport, output_format: PageFormat, language: str, paper: Paper) -> str:
    """Markdown, or the HTML that is also what a PDF is printed from."""
    from auditor.report.catalogue import load_catalogue
    from auditor.report.household.layout import fit_page
    from auditor.report.household.render_html import render_page_html
    from auditor.report.household.render_markdown import render_page_markdown

    words = load_catalogue(language)
    made, picture = fit_page(report.document, words, paper)
    if output_format is PageFormat.MARKDOWN:
        return render_page_markdown(made, picture, words)
    return render_page_html(made, picture, words, paper=paper)
