"""Options that several commands share, named and described once."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class OutputFormat(StrEnum):
    """Forms of the report."""

    TEXT = "text"
    JSON = "json"
    MARKDOWN = "markdown"
    HTML = "html"


class PlainFormat(StrEnum):
    """Forms of what is no report: no pages are made of rules and recipes."""

    TEXT = "text"
    JSON = "json"
    MARKDOWN = "markdown"


class AlarmFrom(StrEnum):
    """From which severity findings give exit status 1."""

    INFO = "info"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    CRITICAL = "critical"
    NEVER = "never"


class RouterAbility(StrEnum):
    """What the router at hand can do."""

    NOTHING = "nothing"
    GUEST = "guest"
    VLAN = "vlan"


Captures = Annotated[
    list[str],
    typer.Argument(
        metavar="CAPTURE", help="Recordings (pcap, pcapng), folders of them, or - for standard input."
    ),
]
Devices = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help="Link address, address or nickname; may be repeated. Default: every lighting device found.",
    ),
]
HomeFile = Annotated[
    Path | None, typer.Option("--home", metavar="FILE", help="Home file: names, wishes, accepted findings.")
]
RuleFolders = Annotated[
    list[Path] | None,
    typer.Option("--rules", metavar="DIR", help="Folder of your own rules; may be repeated."),
]
Format = Annotated[OutputFormat, typer.Option("--format", help="Form of the report.")]
PlainForm = Annotated[PlainFormat, typer.Option("--format", help="Form of the result.")]
Output = Annotated[
    Path | None,
    typer.Option("--output", metavar="FILE", help="Write here, complete or not at all."),
]
Alarm = Annotated[AlarmFrom, typer.Option("--alarm-from", help="Findings from here on give exit status 1.")]
Reveal = Annotated[
    bool, typer.Option("--reveal", help="Show names and addresses of everybody; the report says so.")
]
Strict = Annotated[
    bool, typer.Option("--strict", help="Stop at a fault of this program and show where it happened.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no remarks on standard error.")]
All = Annotated[
    bool,
    typer.Option(
        "--all", help="Print all of the text report, not only verdict, coverage and a screen of findings."
    ),
]
