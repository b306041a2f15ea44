"""
Measure and print a table in Markdown.

    python -m tests.benchmarks.run [--packets N] [--flows N] [--format pcap|pcapng] [--rounds N]
    python -m tests.benchmarks.run --all [--up-to N]

Figures of one machine say little; the ratios within one run do.  Ratios are of
wall clock, which is what a person waits, on a machine that does nothing else;
those of processor time stand beside them, where helper threads count in full.
With ``--all`` the tables of ``growth``, ``compressed`` and ``startup`` follow.
"""

import argparse
import tempfile
from pathlib import Path

from tests.benchmarks import compressed, growth, startup
from tests.benchmarks.measure import Figures, best_of, make_recording_apart

NAMES = ("plain read", "dpkt loop", "scapy dissection", "core", "audit")

TARGETS = {
    "core": {"dpkt loop": 20, "scapy dissection": 250},
    "audit": {"dpkt loop": 15, "scapy dissection": 200},
}
"""Least ratios of packets in a second."""

MAX_PEAK_MEBIBYTES = 200

PACKETS_PER_FLOW = 200
"""A million packets in 5,000 flows, and three in a hundred to dissect."""


def render(results: dict[str, Figures], octets_per_packet: float) -> str:
    """The table, and how the targets stand."""
    clocks = ("seconds", "processor_seconds")
    pace = {
        clock: {name: figures["packets"] / figures[clock] for name, figures in results.items()}
        for clock in clocks
    }
    lines = [
        "| | packets/s | MB/s | × dpkt | × scapy | × dpkt, processor | × scapy, processor | peak MiB |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, figures in results.items():
        ratios = [
            f"{pace[clock][name] / pace[clock][other]:.1f}"
            for clock in clocks
            for other in ("dpkt loop", "scapy dissection")
        ]
        rate = pace["seconds"][name] * octets_per_packet / 1e6
        cells = [f"{pace['seconds'][name]:,.0f}", f"{rate:,.0f}", *ratios, f"{figures['peak_mebibytes']:.0f}"]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    lines.append("")
    for name, targets in TARGETS.items():
        for other, least in targets.items():
            ratio = pace["seconds"][name] / pace["seconds"][other]
            lines.append(f"- {name} at least {least} × {other}: {ratio:.1f}, {_verdict(ratio >= least)}")
        peak = results[name]["peak_mebibytes"]
        verdict = _verdict(peak <= MAX_PEAK_MEBIBYTES)
        lines.append(f"- {name} within {MAX_PEAK_MEBIBYTES} MiB: {peak:.0f}, {verdict}")
    return "\n".join(lines)


def _verdict(is_met: bool) -> str:
    return "met" if is_met else "missed"


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the auditor against general-purpose libraries.")
    parser.add_argument("--packets", type=int, default=1_000_000)
    parser.add_argument("--flows", type=int)
    parser.add_argument("--format", choices=("pcap", "pcapng"), default="pcap")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--keep", type=Path, help="folder in which the recording stays for the next run")
    parser.add_argument("--all", action="store_true", help="also growth, compressed files and start-up")
    parser.add_argument("--up-to", type=int, default=10_000_000, help="packets of the longest recording")
    options = parser.parse_args()
    flows = options.flows or max(20, min(200_000, options.packets // PACKETS_PER_FLOW))
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        path = folder / f"household-{options.packets}-{flows}.{options.format}"
        if not path.exists():
            make_recording_apart(options.packets, flows, path)
        octets = path.stat().st_size
        results = best_of(NAMES, path, options.packets, options.rounds)
        print(f"{options.packets:,} packets, {flows:,} flows, {octets / 1e6:,.0f} MB {options.format}\n")
        print(render(results, octets / options.packets), flush=True)
        if options.all:
            print(f"\n{compressed.table(path, options.packets, options.rounds)}", flush=True)
            print(f"\n{startup.table(Path(temporary), options.rounds)}", flush=True)
            print()
            for line in growth.lines(Path(temporary), options.up_to, options.rounds):
                print(line, flush=True)


if __name__ == "__main__":
    main()
