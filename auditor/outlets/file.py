"""A file to which each run adds its lines."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from auditor.errors import OutputError
from auditor.units import format_time

MAX_OCTETS = 1_000_000
"""Of the file; beyond it a new one is begun and one former is kept: ten thousand lines."""


def add_lines(path: Path, lines: Sequence[str], *, now_ns: int) -> None:
    """Put the lines at the end, in one write; raises ``OutputError``."""
    stamp = format_time(now_ns)[:19] + "Z"
    text = "".join(f"{stamp} {line}\n" for line in lines).encode("utf-8", "backslashreplace")
    try:
        if path.exists() and path.stat().st_size > MAX_OCTETS:
            path.replace(path.with_name(f"{path.name}.1"))
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600), "ab") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}") from error
