"""
Time and memory from one to ten million packets.

    python -m tests.benchmarks.growth [UP_TO] [ROUNDS] [FOLDER]

The mix stays the same (50 packets a flow, so that ten million packets make the
200,000 flows that the table holds); the longest recording has 5.4 GB, and each
is deleted before the next is made.
"""

import math
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.measure import best_of, make_recording_apart

STEPS = (1_000_000, 2_000_000, 4_000_000, 10_000_000)
PACKETS_PER_FLOW = 50
OCTETS_PER_PACKET = 560
SPARE_OCTETS = 1 << 30

MAX_DOUBLING = 2.1
"""Greatest factor of time for twice the packets."""


def lines(folder: Path, up_to: int, rounds: int) -> Iterator[str]:
    """
    A row for each length and stage, as soon as it is measured.

    The factor is that of one doubling, by wall clock.
    """
    yield "| | packets | seconds | processor seconds | for each doubling | peak MiB |"
    yield "|---|---|---|---|---|---|"
    before: dict[str, tuple[int, float]] = {}
    for packets in (step for step in STEPS if step <= up_to):
        if shutil.disk_usage(folder).free < packets * OCTETS_PER_PACKET + SPARE_OCTETS:
            yield f"\nNot measured from {packets:,} packets on: no room in {folder}."
            return
        path = folder / f"growth-{packets}.pcap"
        try:
            make_recording_apart(packets, packets // PACKETS_PER_FLOW, path)
            results = best_of(("core", "audit"), path, packets, rounds)
        finally:
            path.unlink(missing_ok=True)
        for name, figures in results.items():
            factor = ""
            if name in before:
                fewer, seconds = before[name]
                doublings = math.log2(packets / fewer)
                per_doubling = (figures["seconds"] / seconds) ** (1 / doublings)
                factor = f"{per_doubling:.2f}, {'met' if per_doubling <= MAX_DOUBLING else 'missed'}"
            before[name] = (packets, figures["seconds"])
            yield (
                f"| {name} | {packets:,} | {figures['seconds']:.2f} | {figures['processor_seconds']:.2f} "
                f"| {factor} | {figures['peak_mebibytes']:.0f} |"
            )


if __name__ == "__main__":
    arguments = sys.argv[1:]
    with tempfile.TemporaryDirectory(dir=arguments[2] if len(arguments) > 2 else None) as made:
        up_to = int(arguments[0]) if arguments else STEPS[-1]
        for line in lines(Path(made), up_to, int(arguments[1]) if len(arguments) > 1 else 1):
            print(line, flush=True)
