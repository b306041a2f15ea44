"""
How long a person waits for short commands, by wall clock.

    python -m tests.benchmarks.startup [ROUNDS]
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.benchmarks.measure import make_recording_apart

PACKETS, FLOWS = 100_000, 500
MAX_LIGHT_SECONDS = 0.12
"""Above bare Python, for what reads no recording."""
MAX_SMALL_SECONDS = 0.5
"""For a recording of 100,000 packets."""


def table(folder: Path, rounds: int) -> str:
    """A row for each command."""
    recording = folder / "small.pcap"
    make_recording_apart(PACKETS, FLOWS, recording)
    auditor = [sys.executable, "-m", "auditor"]
    # As installed: modules are compiled once, when they are installed or first run.
    environment = {
        **os.environ,
        "PYTHONPYCACHEPREFIX": str(folder / "compiled"),
        "PYTHONDONTWRITEBYTECODE": "",
    }

    def least_seconds(command: Sequence[str]) -> tuple[float, float]:
        runs = [_seconds(command, environment) for _ in range(max(3, rounds) + 1)]
        return min(wall for wall, _ in runs), min(processor for _, processor in runs)

    bare, bare_processor = least_seconds([sys.executable, "-c", "pass"])
    lines = [
        "| | seconds | processor seconds | above bare Python | |",
        "|---|---|---|---|---|",
        f"| bare Python | {bare:.3f} | {bare_processor:.3f} | | |",
    ]
    for words, most, is_above in (
        (["--help"], MAX_LIGHT_SECONDS, True),
        (["--version"], MAX_LIGHT_SECONDS, True),
        (["rules", "list"], MAX_LIGHT_SECONDS, True),
        (["check", str(recording)], MAX_SMALL_SECONDS, False),
        (["audit", "--format", "json", str(recording)], MAX_SMALL_SECONDS, False),
    ):
        seconds, processor = least_seconds([*auditor, *words])
        is_met = (seconds - bare if is_above else seconds) <= most
        shown = " ".join(word for word in words if word != str(recording))
        what = f"{shown}, {PACKETS:,} packets" if str(recording) in words else shown
        verdict = f"at most {most} s{' above' if is_above else ''}: {'met' if is_met else 'missed'}"
        lines.append(f"| {what} | {seconds:.3f} | {processor:.3f} | {seconds - bare:.3f} | {verdict} |")
    recording.unlink()
    return "\n".join(lines)


def _seconds(command: Sequence[str], environment: Mapping[str, str]) -> tuple[float, float]:
    """Of wall clock and of processor."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    seconds, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    # What a recording shows decides the status of an audit; only a failure to run counts here.
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr.decode()[:500]}")
    return seconds, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        print(table(Path(made), int(sys.argv[1]) if len(sys.argv) > 1 else 5))
