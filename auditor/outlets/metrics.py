"""
The state of the watch as OpenMetrics text, for a collector that reads text files.

OpenMetrics 1.0 (RFC draft-richih-opsawg-openmetrics-00): families with TYPE and
HELP, samples, ``# EOF`` at the end; the file is replaced as a whole.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from auditor.errors import OutputError
from auditor.units import NS_PER_SECOND


class WatchState(NamedTuple):
    """What there is to count."""

    last_run_ns: int | None
    last_usable_ns: int | None
    last_outcome: str
    runs: Mapping[str, int]
    """Remembered runs by outcome."""
    open_changes: int
    """Told and not accepted."""
    judged_nights: int


def render_metrics(state: WatchState) -> str:
    """The exposition; times are seconds since 1970, as OpenMetrics asks."""
    lines: list[str] = []

    def family(name: str, kind: str, text: str, samples: Mapping[str, float | int | None]) -> None:
        lines.append(f"# TYPE lighting_watch_{name} {kind}")
        lines.append(f"# HELP lighting_watch_{name} {text}")
        lines.extend(
            f"lighting_watch_{name}{labels} {value}" for labels, value in samples.items() if value is not None
        )

    def moment(timestamp_ns: int | None) -> float | None:
        return None if timestamp_ns is None else timestamp_ns / NS_PER_SECOND

    family("last_run_timestamp_seconds", "gauge", "When the last run began.", {"": moment(state.last_run_ns)})
    family(
        "last_usable_timestamp_seconds", "gauge", "When the last run that could judge began.",
        {"": moment(state.last_usable_ns)},
    )  # fmt: skip
    family(
        "last_run_usable", "gauge", "1 if the last run could judge.",
        {"": int(state.last_outcome in {"same", "changed"})},
    )  # fmt: skip
    family(
        "remembered_runs", "gauge", "Runs that the store remembers, by outcome.",
        {f'{{outcome="{outcome}"}}': state.runs[outcome] for outcome in sorted(state.runs)},
    )  # fmt: skip
    family("open_changes", "gauge", "Changes told and not accepted.", {"": state.open_changes})
    family("judged_nights", "counter", "Runs that could judge.", {"_total": state.judged_nights})
    return "\n".join([*lines, "# EOF"]) + "\n"


def write_metrics(path: Path, state: WatchState) -> None:
    """Replace the file as a whole; readable for the collector.  Raises ``OutputError``."""
    part = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        try:
            with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644), "wb") as file:
                file.write(render_metrics(state).encode())
                file.flush()
                os.fsync(file.fileno())
            part.chmod(0o644)  # whatever the mask says: the collector is another user
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}") from error
