"""``auditor reduce``: a copy of recordings that holds the chosen devices and no secrets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.output import PROGRAM, print_result, refuse_inputs, say
from auditor.cli.progress import show_progress

if TYPE_CHECKING:
    from auditor.reduction.match import Reduction

Copy = Annotated[
    Path,
    typer.Option(
        "--output",
        metavar="FILE",
        help="Write the copy (pcapng) here, complete or not at all, and NAME.home.yaml beside it.",
    ),
]


def reduce(
    captures: options.Captures,
    output: Copy,
    devices: options.Devices = None,
    home: options.HomeFile = None,
    strict: options.Strict = False,
    quiet: options.Quiet = False,
) -> int:
    """Copy only the chosen devices' conversations: others get pseudonyms, secrets are overwritten."""
    from auditor.reduction.home import home_beside
    from auditor.reduction.reduce import reduce as write_copy

    for written in (output, home_beside(output)):
        refuse_inputs(written, [*captures, *([home] if home else [])])
    with show_progress(quiet=quiet) as progress:
        made = write_copy(
            captures, output, devices=devices or (), home=home, strict=strict, progress=progress
        )
    print_result("".join(f"{name}\t{old}\t{new}\n" for name, old, new in made.packet_map))
    if not quiet:
        for line in _remarks(made, output, home_beside(output)):
            say(line)
    if made.missing:
        say(f"the copy does not show these findings: {', '.join(made.missing)}")
    return ExitStatus.COULD_NOT_JUDGE if made.missing else ExitStatus.JUDGED


def _remarks(made: Reduction, output: Path, home: Path) -> list[str]:
    copied = made.copied
    chosen = " ".join(f"--device {device}" for device in made.chosen)
    lines = [
        (
            f"kept {copied.kept} of {copied.read} packets, {copied.with_payload} of them with payload; "
            f"octets were overwritten in {made.overwritten}"
        ),
        f"what the copy no longer shows (roles, wishes, actions, without names) is in {home}",
        f"to judge the copy as the recording: {PROGRAM} audit {output} --home {home} {chosen}",
        f"{made.same} findings are the same there",
        "what remained: the chosen devices' addresses and names, the names they asked for, sizes and times",
    ]
    if len(made.link_types) > 1:
        names = " and ".join(made.link_types)
        lines.append(f"the copy holds {names}, as before; programs that take one link type a file refuse it")
    lines += [f"{rule} {old} is {new} in the copy: a pseudonym is in it" for rule, old, new in made.renamed]
    if made.added:
        lines.append(f"only in the copy: {', '.join(made.added)}")
    return lines
