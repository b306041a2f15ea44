"""Where results go: data on standard output or into a file, talk on standard error."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TextIO

from auditor.errors import OutputError, UsageError
from auditor.report.harmless import encode_for, harmless_text
from auditor.report.text import COLUMNS

PROGRAM = "auditor"
MIN_TERMINAL_COLUMNS = 40
"""Labels and text side by side need as much; a narrower terminal breaks the lines itself."""
MAX_TERMINAL_COLUMNS = 100
"""Longer lines are hard to follow back to the next one's beginning (common practice)."""

_CAPTURE_MAGICS = tuple(
    bytes.fromhex(magic)
    for magic in ("a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1", "0a0d0d0a", "1f8b", "28b52ffd")
)
"""First octets of captures, plain, gzip and zstd (draft-ietf-opsawg-pcap, -pcapng, RFC 1952, RFC 8878)."""


def say(text: str) -> None:
    """Print one line of talk on standard error; never fails, because it often tells of a failure."""
    line = f"{PROGRAM}: {harmless_text(text)}\n"
    with contextlib.suppress(OSError, ValueError):  # closed or broken standard error
        _write_octets(sys.stderr, encode_for(line, sys.stderr.encoding))


def is_colourful(stream: TextIO) -> bool:
    """A terminal that takes SGR sequences; ``NO_COLOR`` and ``TERM=dumb`` are obeyed (common practice)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def columns_of(stream: TextIO | None) -> int:
    """
    Columns to write for: those of a terminal; eighty for pipes and files, which must not depend on one.

    ``COLUMNS`` wins over what the terminal says of itself (POSIX.1-2017 section 8.3).
    """
    if stream is None or not stream.isatty():
        return COLUMNS
    found = shutil.get_terminal_size((COLUMNS, 24)).columns
    return min(max(found, MIN_TERMINAL_COLUMNS), MAX_TERMINAL_COLUMNS)


def print_result(text: str) -> None:
    """
    Print a result on standard output in the encoding that it has.

    A reader that closes the pipe early has what it wanted: no error.
    """
    try:
        _write_octets(sys.stdout, encode_for(text, sys.stdout.encoding))
    except BrokenPipeError:
        _drop_output()
    except OSError as error:
        _drop_output()
        raise OutputError(f"standard output: {error.strerror or error}") from error


def _drop_output() -> None:
    """Keep Python from flushing standard output again at its end: that would make the status 120."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _write_octets(stream: TextIO, octets: bytes) -> None:
    binary = getattr(stream, "buffer", None)
    if binary is None:  # replaced by a caller of main(), in tests say
        stream.write(octets.decode(stream.encoding or "utf-8", "replace"))
    else:
        stream.flush()
        binary.write(octets)
        binary.flush()
    stream.flush()


def write_result(text: str, output: Path) -> None:
    """Write a result into a file, complete or not at all, in UTF-8; see ``write_octets``."""
    write_octets(text.encode("utf-8", "backslashreplace"), output)


def write_octets(octets: bytes, output: Path) -> None:
    """
    Write a file, complete or not at all.

    The octets go to a new file beside the target, which is renamed over it only
    when everything is on the disk.  A device or pipe is written directly.
    """
    target = Path(os.path.realpath(output))  # a link keeps pointing where it did
    try:
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            target.write_bytes(octets)
            return
        temporary = target.with_name(f".{target.name[:100]}.{os.urandom(4).hex()}.part")
        try:
            with temporary.open("xb") as file:
                file.write(octets)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(target)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        problem = f"{output}: {error.strerror or error}; what stood there before still stands"
        raise OutputError(problem) from error


def refuse_inputs(output: Path | None, inputs: Iterable[str | Path]) -> None:
    """Refuse an output file that is one of the files just being read."""
    if output is None or not output.exists():
        return
    for given in map(Path, inputs):
        if not given.exists():
            continue
        if output.samefile(given):
            raise UsageError("--output", f"{output} is an input of this run and is left as it is")
        if given.is_dir() and output.resolve().parent == given.resolve() and _is_capture(output):
            raise UsageError("--output", f"{output} is a recording in an input folder and is left as it is")


def _is_capture(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(4).startswith(_CAPTURE_MAGICS)
    except OSError:
        return False
