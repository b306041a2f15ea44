"""The command line: the table of commands, and the one place where errors become exit statuses."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from auditor import __version__
from auditor.cli.audit import audit
from auditor.cli.check import check
from auditor.cli.compare import compare
from auditor.cli.exit import EXIT_TABLE, ExitStatus
from auditor.cli.output import PROGRAM, print_result, say
from auditor.cli.page import page
from auditor.cli.plan import plan
from auditor.cli.recipe import recipe
from auditor.cli.record import record
from auditor.cli.reduce import reduce
from auditor.cli.rules import rules_commands
from auditor.cli.watch import watch
from auditor.errors import AuditorError, CaptureError, JudgementError, OutputError, SettingsError
from auditor.garbage import give_back_blocks

HOW_TO_REPORT = (
    "this is a fault of the program; please report this line, and run again with --strict to see where it "
    "happened. Do not send the recording."
)

# typer raises the errors of the parser beneath it, which it carries itself or imports, depending on its
# version; the base of all of them is the second parent of BadParameter in both.
_ParserError: type[Exception] = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name=PROGRAM,
    help="Judge from recorded traffic how a lighting controller sits in a home network.",
    epilog=EXIT_TABLE,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command("recipe")(recipe)
app.command("record")(record)
app.command("check")(check)
app.command("audit")(audit)
app.command("page")(page)
app.command("plan")(plan)
app.command("compare")(compare)
app.command("watch")(watch)
app.command("reduce")(reduce)
app.add_typer(rules_commands, name="rules")


def _print_version(wanted: bool) -> None:
    if wanted:
        print_result(f"{PROGRAM} {__version__}\n")
        raise typer.Exit(ExitStatus.JUDGED)


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end."),
    ] = False,
) -> None:
    """Judge from recorded traffic how a lighting controller sits in a home network."""


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run one command and return its exit status; raises nothing.

    Left to itself the parser's library ends with 1 for an uncaught exception
    and for an interruption, which would read as findings.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    give_back_blocks()
    # numpy's linear algebra, which nothing here uses, would start a thread for each processor: 0.1 s of two.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        status = app(args=given, prog_name=PROGRAM, standalone_mode=False)
    except _ParserError as error:
        say(_parser_text(error))
        return ExitStatus.WRONG_USAGE
    except (KeyboardInterrupt, typer.Abort):
        status = ExitStatus.INTERRUPTED
    except AuditorError as error:
        return _status_of(error)
    except Exception as error:  # noqa: BLE001 - the last wall: whatever comes here is our fault and must end with 4
        if "--strict" in given:
            print(_places_of(error), file=sys.stderr)  # noqa: T201 - asked for, and more than one line
        say(f"{type(error).__name__} {_place_of(error)}: {HOW_TO_REPORT}")
        return ExitStatus.OUR_FAULT
    if status == ExitStatus.INTERRUPTED:  # newer versions of the library turn the signal into this status
        say("interrupted")
    return status if isinstance(status, int) else ExitStatus.JUDGED


def _status_of(error: AuditorError) -> int:
    for line in str(error).splitlines():  # a rule folder may hold many mistakes, each with its place
        say(line)
    match error:
        case SettingsError() | OutputError():
            return ExitStatus.WRONG_USAGE
        case CaptureError() | JudgementError():
            return ExitStatus.COULD_NOT_JUDGE
        case _:
            say(HOW_TO_REPORT)
            return ExitStatus.OUR_FAULT


def _places_of(error: BaseException) -> str:
    """The way to the fault, causes first; of errors only their kinds, for their texts may name somebody."""
    import traceback

    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    lines = [] if before is None or before is error else [_places_of(before), "then:\n"]
    lines.append("Traceback (most recent call last):\n")
    lines += traceback.format_list(traceback.extract_tb(error.__traceback__))
    return "".join([*lines, f"{type(error).__name__} (its text is left out: it may hold names)\n"])


def _place_of(error: Exception) -> str:
    """Where it happened; not the error's text, which may hold names from the recording."""
    place = error.__traceback__
    if place is None:
        return "at an unknown place"
    while place.tb_next is not None:
        place = place.tb_next
    return f"in {Path(place.tb_frame.f_code.co_filename).name} line {place.tb_lineno}"


def _parser_text(error: Exception) -> str:
    format_message = getattr(error, "format_message", None)
    return str(format_message()) if format_message is not None else str(error)
