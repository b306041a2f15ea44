"""
A program for ``test_kill.py``: watches that are ended by SIGKILL at random moments, one after the other.

    python -m tests.unit.watch.kill_rounds FOLDER ROUNDS SEED

Each round puts a recording with one more contact into the ring, and forks a watch that has everything imported already, so
that the moments fall into the work and not into the start of an interpreter.  The last watch is left alone.  What a watch
tells goes to ``told.log`` with fsync; the summary goes to standard output as JSON.
"""

import functools
import json
import os
import random
import signal
import sqlite3
import sys
import time
from pathlib import Path

import auditor.pipeline as pipeline
from auditor.home.loader import parse_home
from auditor.ruleset.loader import load_rules
from auditor.store.database import STORE_NAME
from auditor.watch.baseline import Limits
from auditor.watch.night import WatchOptions, run_watch
from tests.household.nights import FIRST_NIGHT_NS, HOME, Evening, record

SECOND_NS = 1_000_000_000


def main(folder: Path, rounds: int, seed: int) -> None:
    """All rounds."""
    rules = load_rules([])
    pipeline.load_rules = lambda _: rules
    chance = random.Random(seed)
    ring = folder / "ring"
    ring.mkdir()
    put(ring, 0, None)
    began = time.monotonic()
    watch(folder)  # the first night learns
    usual = time.monotonic() - began
    killed = 0
    names = [name_of(number) for number in range(1, rounds + 1)]
    for number, name in enumerate(names, start=1):
        put(ring, number, name)
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            try:
                watch(folder)
            finally:
                os._exit(0)
        time.sleep(chance.uniform(0, 1.2 * usual))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        was_killed = os.WIFSIGNALED(status)
        killed += was_killed
        # The first night also loaded what the others find loaded: moments follow the pace that is seen.
        usual *= 1.03 if was_killed else 0.9
        check(folder / "store" / STORE_NAME)
    said = watch(folder)
    print(json.dumps({"names": names, "killed": killed, "said": said}))


def check(path: Path) -> None:
    """Whole after each kill, to a reader that is not ours."""
    connection = sqlite3.connect(path)
    found = connection.execute("PRAGMA integrity_check").fetchall()
    connection.close()
    if found != [("ok",)]:
        raise SystemExit(f"damaged: {found}")


def name_of(number: int) -> str:
    """A name in letters alone, because counted labels are levelled."""
    letters = "".join(chr(ord("g") + int(digit)) for digit in str(number))
    return f"{letters}.tally.example"


def put(ring: Path, number: int, name: str | None) -> None:
    """One complete file in place of those before the last three."""
    path = evening_file(ring, number, name)
    past = time.time_ns() - 3_600 * SECOND_NS + number * SECOND_NS
    os.utime(path, ns=(past, past))


def evening_file(ring: Path, number: int, name: str | None) -> Path:
    """The recording."""
    part = ring / f".{number}.part.pcapng"
    start_ns = FIRST_NIGHT_NS + number * 120 * SECOND_NS
    # One address each: of two names for one address within a recording the later one counts.
    evening = Evening(telemetry=name, telemetry_address=f"192.0.2.{number + 1}")
    record(evening, start_ns=start_ns, seed=number).write(part)
    return part.replace(ring / f"night-{number:04d}.pcapng")


def watch(folder: Path) -> list[str]:
    """One run; what it says."""
    said: list[str] = []
    options = WatchOptions(
        folder=folder / "store",
        ring=folder / "ring",
        home=parse_home(HOME.encode(), "home.yaml"),
        limits=Limits(learning_nights=1),
    )
    run_watch(
        options,
        audit=lambda paths, home: pipeline.audit(list(paths), home=home),
        tell=functools.partial(tell, folder / "told.log"),
        say=said.append,
    )
    return said


def tell(path: Path, lines: list[str]) -> None:
    """Lines on the disk before the watch goes on."""
    with path.open("a") as file:
        file.write("".join(f"{line}\n" for line in lines))
        file.flush()
        os.fsync(file.fileno())


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
