"""Run contenders in turns, each in a process of its own, and keep the best of several rounds."""

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

SLOW_PACKETS = {"dpkt loop": 200_000, "scapy dissection": 10_000}
"""Contenders that are measured on the beginning of the recording and scaled."""

Figures = dict[str, float]
"""What ``contenders`` prints: packets, seconds, processor_seconds, peak_mebibytes."""


def measure(name: str, path: Path, packets: int) -> Figures:
    """Run one contender in its own process."""
    limit = min(packets, SLOW_PACKETS.get(name, packets))
    command = [sys.executable, "-m", "tests.benchmarks.contenders", name, str(path), str(limit)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def best_of(names: Sequence[str], path: Path, packets: int, rounds: int) -> dict[str, Figures]:
    """
    Least wall clock, least processor time and greatest peak of each contender.

    They take turns, so that what else the machine does falls on all; what makes
    a round longer than the best one is that, and not the contender.
    """
    best: dict[str, Figures] = {}
    for _ in range(rounds):
        for name in names:
            figures = measure(name, path, packets)
            known = best.setdefault(name, figures)
            best[name] = {
                "packets": figures["packets"],
                "seconds": min(known["seconds"], figures["seconds"]),
                "processor_seconds": min(known["processor_seconds"], figures["processor_seconds"]),
                "peak_mebibytes": max(known["peak_mebibytes"], figures["peak_mebibytes"]),
            }
    return best


def make_recording_apart(packets: int, flows: int, path: Path) -> None:
    """Write a recording in another process: a child's peak of memory begins with its parent's."""
    arguments = [str(packets), str(flows), str(path)]
    subprocess.run([sys.executable, "-m", "tests.benchmarks.recordings", *arguments], check=True)
