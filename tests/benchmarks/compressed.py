"""
Compressed recordings against the pace of the decompressor alone, and of the core on plain octets.

    python -m tests.benchmarks.compressed RECORDING PACKETS [ROUNDS]

Bodies of the benchmark's recordings are random and hardly shrink, as encrypted
traffic does not.  What hardly shrinks zstd copies, several times as fast as the
core reads plain octets: the slower of the two is what bounds the core.
"""

import gzip
import shutil
import sys
import tempfile
from pathlib import Path

import zstandard

from tests.benchmarks.measure import best_of

LEAST_SHARE = 0.8
"""Of the decompressor's own pace that the core must reach."""


def table(path: Path, packets: int, rounds: int) -> str:
    """A row for each compression and stage."""
    lines = ["| | packets/s | share of the decompressor's pace | peak MiB |", "|---|---|---|---|"]
    verdicts = []
    plain = best_of(("core",), path, packets, rounds)["core"]
    lines.append(
        f"| plain core | {plain['packets'] / plain['seconds']:,.0f} | | {plain['peak_mebibytes']:.0f} |"
    )
    with tempfile.TemporaryDirectory() as folder:
        for suffix in (".gz", ".zst"):
            squeezed = _compress(path, Path(folder) / (path.name + suffix))
            results = best_of(("decompressor", "core", "audit"), squeezed, packets, rounds)
            floor = results["decompressor"]["seconds"]
            for name, figures in results.items():
                pace, share = figures["packets"] / figures["seconds"], floor / figures["seconds"]
                lines.append(
                    f"| {squeezed.suffix} {name} | {pace:,.0f} | {share:.0%} | {figures['peak_mebibytes']:.0f} |"
                )
            share = floor / results["core"]["seconds"]
            bound = max(floor, plain["seconds"])
            verdict = "met" if share >= LEAST_SHARE else "missed"
            verdicts.append(
                f"- core on {suffix} at least {LEAST_SHARE:.0%} of the decompressor: {share:.0%}, {verdict}; "
                f"of the slower of decompressor and plain core: {bound / results['core']['seconds']:.0%}"
            )
    return "\n".join([*lines, "", *verdicts])


def _compress(path: Path, target: Path) -> Path:
    with path.open("rb") as source:
        if target.suffix == ".gz":
            with gzip.open(target, "wb", compresslevel=6) as file:
                shutil.copyfileobj(source, file, 1 << 20)
        else:
            with target.open("wb") as file:
                zstandard.ZstdCompressor(level=3).copy_stream(source, file)
    return target


if __name__ == "__main__":
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    print(table(Path(sys.argv[1]), int(sys.argv[2]), rounds))
