"""
Measure and print a table in Markdown.

    python -m tests.benchmarks.run [--packets N] [--flows N] [--format pcap|pcapng] [--rounds N]

Figures of one machine say little; the ratios within one run do.  Contenders
take turns, so that what else the machine does falls on all; of each the round
with the least processor time counts, for the rest is what the others cost it.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

from tests.benchmarks.contenders import CONTENDERS

SLOW_PACKETS = {"dpkt loop": 200_000, "scapy dissection": 10_000}
"""Contenders that are measured on the beginning of the recording and scaled."""

TARGETS = {
    "core": {"dpkt loop": 20, "scapy dissection": 250},
    "audit": {"dpkt loop": 15, "scapy dissection": 200},
}
"""Least ratios of packets in a second."""

MAX_PEAK_MEBIBYTES = 200

PACKETS_PER_FLOW = 200
"""A million packets in 5,000 flows, and three in a hundred to dissect."""


def measure(name: str, path: Path, packets: int) -> dict[str, float]:
    """Run one contender in its own process."""
    limit = min(packets, SLOW_PACKETS.get(name, packets))
    command = [sys.executable, "-m", "tests.benchmarks.contenders", name, str(path), str(limit)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def compare(path: Path, packets: int, rounds: int, names: list[str]) -> dict[str, dict[str, float]]:
    """The best round of each contender."""
    best: dict[str, dict[str, float]] = {}
    for _ in range(rounds):
        for name in names:
            figures = measure(name, path, packets)
            if name not in best or figures["processor_seconds"] < best[name]["processor_seconds"]:
                best[name] = figures
    return best


def render(results: dict[str, dict[str, float]], octets_per_packet: float) -> str:
    """The table, and how the targets stand."""
    pace = {name: figures["packets"] / figures["processor_seconds"] for name, figures in results.items()}
    lines = ["| | packets/s | MB/s | × dpkt | × scapy | peak MiB |", "|---|---|---|---|---|---|"]
    for name, figures in results.items():
        ratios = [f"{pace[name] / pace[other]:.1f}" for other in ("dpkt loop", "scapy dissection")]
        rate = pace[name] * octets_per_packet / 1e6
        lines.append(
            f"| {name} | {pace[name]:,.0f} | {rate:,.0f} | {' | '.join(ratios)} | {figures['peak_mebibytes']:.0f} |"
        )
    lines.append("")
    for name, ratios in TARGETS.items():
        if name not in results:
            continue
        for other, least in ratios.items():
            ratio = pace[name] / pace[other]
            verdict = "met" if ratio >= least else "missed"
            lines.append(f"- {name} at least {least} × {other}: {ratio:.1f}, {verdict}")
        peak = results[name]["peak_mebibytes"]
        lines.append(
            f"- {name} within {MAX_PEAK_MEBIBYTES} MiB: {peak:.0f}, {'met' if peak <= MAX_PEAK_MEBIBYTES else 'missed'}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the auditor against general-purpose libraries.")
    parser.add_argument("--packets", type=int, default=1_000_000)
    parser.add_argument("--flows", type=int)
    parser.add_argument("--format", choices=("pcap", "pcapng"), default="pcap")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--keep", type=Path, help="folder in which the recording stays for the next run")
    options = parser.parse_args()
    flows = options.flows or max(20, min(200_000, options.packets // PACKETS_PER_FLOW))
    names = [name for name in CONTENDERS if name != "audit" or find_spec("auditor.pipeline")]
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        path = folder / f"household-{options.packets}-{flows}.{options.format}"
        if not path.exists():
            # In another process: a child's peak of memory begins with its parent's.
            make = [
                sys.executable,
                "-m",
                "tests.benchmarks.recordings",
                str(options.packets),
                str(flows),
                str(path),
            ]
            subprocess.run(make, check=True)
        octets = path.stat().st_size
        results = compare(path, options.packets, options.rounds, names)
    print(f"{options.packets:,} packets, {flows:,} flows, {octets / 1e6:,.0f} MB {options.format}\n")
    print(render(results, octets / options.packets))


if __name__ == "__main__":
    main()
