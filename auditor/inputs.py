"""What a run reads: paths, folders of ring files, standard input; and which of them open."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from auditor.capture.compression import BinarySource
from auditor.capture.reader import open_capture as open_capture_file
from auditor.errors import CaptureError, CaptureReadError

STANDARD_INPUT = "-"

PathLike = str | os.PathLike[str]


def find_sources(paths: PathLike | Sequence[PathLike]) -> list[Path | BinarySource]:
    """Paths as sources; raises ``CaptureReadError`` where none is given."""
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    if not given:
        raise CaptureReadError("(no file)", "expected at least one recording")
    standard_input = cast("BinarySource", sys.stdin.buffer)  # a BufferedReader, declared as less
    return [standard_input if path == STANDARD_INPUT else Path(path) for path in given]


def part_readable(
    sources: Sequence[Path | BinarySource],
) -> tuple[list[Path | BinarySource], tuple[CaptureError, ...]]:
    """
    Part the sources that open as captures from those that do not.

    One broken file among several must not hide what the others hold; where none
    opens, the first error is raised.  Streams cannot be tried twice and pass.
    """
    readable: list[Path | BinarySource] = []
    errors: list[CaptureError] = []
    for source in sources:
        if isinstance(source, Path) and not source.is_dir() and len(sources) > 1:
            try:
                with open_capture_file(source):
                    pass
            except CaptureError as error:
                errors.append(error)
                continue
        readable.append(source)
    if errors and not readable:
        raise errors[0]
    return readable, tuple(errors)


def count_octets(sources: Sequence[Path | BinarySource]) -> int | None:
    """Octets of all sources together; None where that is unknown."""
    total = 0
    for source in sources:
        if not isinstance(source, Path):
            return None
        try:
            files = [entry for entry in source.iterdir() if entry.is_file()] if source.is_dir() else [source]
            total += sum(file.stat().st_size for file in files)
        except OSError:  # only progress hangs on it; whoever opens the file will say what is wrong
            return None
    return total
