"""
The strip of nights, and the command as a scheduler runs it.

Source: needs section 7.7 (one cell a night) and section 6, C6 and C7 (statuses, silence).
"""

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from auditor.live import recorder
from auditor.watch.strip import draw_strip, nights, render_strip
from tests.household.nights import DAY_NS, FIRST_NIGHT_NS, HOUR_NS, Evening, record
from tests.scenarios.support import command
from tests.unit.watch.support import Watch, run_of

ROOT = Path(__file__).resolve().parents[3]
EVENING = Evening()


@pytest.fixture
def watch(tmp_path):
    return Watch(tmp_path, learning_nights=1)


def test_strip_by_letters_in_ascii():
    runs = [
        run_of(1, FIRST_NIGHT_NS),
        run_of(2, FIRST_NIGHT_NS + DAY_NS, "changed"),
        run_of(3, FIRST_NIGHT_NS + 3 * DAY_NS, "could-not-judge"),
        run_of(4, FIRST_NIGHT_NS + 3 * DAY_NS + HOUR_NS),
        run_of(5, FIRST_NIGHT_NS + 31 * DAY_NS, None),
    ]
    shown = render_strip(nights(runs, runs[-1].started_ns))

    assert shown.isascii()
    lines = shown.splitlines()
    assert lines[1] == "2026-03  .C-." + "-" * 27
    assert lines[2] == "2026-04  ?"
    assert lines[-1] == ". same (2), C changed (1), ? could not judge (1), - did not run (28)"
    assert render_strip([]) == "no run yet\n"


def test_strip_as_a_picture_is_well_formed():
    import xml.etree.ElementTree as ET

    runs = [run_of(1, FIRST_NIGHT_NS), run_of(2, FIRST_NIGHT_NS + 40 * DAY_NS)]
    cells = nights(runs, runs[-1].started_ns)

    root = ET.fromstring(draw_strip(cells))
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    assert len(root.findall(f".//{name}rect")) == len(cells) == 41
    assert {text.text for text in root.findall(f".//{name}text")} == {".", "-"}


def test_a_watch_opens_no_socket(watch):
    """House rule: nothing outside ``auditor.live`` opens a socket; PEP 578 audit events see every call."""
    watch.put(EVENING)
    program = (
        "import sys; seen = []\n"
        "sys.addaudithook(lambda event, _: seen.append(event) if event.startswith('socket.') else None)\n"
        "from auditor.cli.main import main\n"
        "status = main(sys.argv[1:]); print(status, seen)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "watch", str(watch.ring), "--store", str(watch.store)],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "0 []\n", done.stderr


def test_the_command_records_first_and_judges_what_it_recorded(tmp_path, monkeypatch):
    """The recorder is a stand-in; its file is seconds old, and is taken because it said that it is done with it."""
    ring, asked = tmp_path / "ring", []

    def stand_in(options, *, tell):
        asked.append(options)
        path = record(EVENING).write(options.folder / f"{options.stem}-1.pcapng")
        return SimpleNamespace(files=(path,))

    monkeypatch.setattr(recorder, "record", stand_in)

    done = command("watch", ring, "--store", tmp_path / "store", "--record", "2", "--interface", "br0")

    assert done.returncode == 0, done.stderr
    assert (asked[0].interface, asked[0].stop_seconds, asked[0].folder) == ("br0", 120, ring)


def test_history_accept_and_health(tmp_path):
    """The same home twice, then one with another version: open, then accepted."""
    ring, store = tmp_path / "ring", tmp_path / "store"
    ring.mkdir()
    assert command("watch", "--health", "--store", store).returncode == 3  # nothing here, and nothing is made
    assert not store.exists()
    for number, evening in enumerate((EVENING, EVENING, replace(EVENING, version="9.9"))):
        path = record(evening).write(ring / f"{number}.pcapng")
        past = time.time() - 3_600 + number
        os.utime(path, (past, past))
        status = command("watch", ring, "--store", store, "--learn", "1").returncode
    assert status == 1
    (store / "watch.yaml").write_text("file: lines.txt\n")

    health = command("watch", "--health", "--tell", "--store", store)
    shown = command("watch", "--history", "--store", store, "--picture", tmp_path / "strip.svg")
    [number] = [line.split()[0] for line in shown.stdout.splitlines() if "software changed" in line]
    accepted = command("watch", "--accept", number, "--store", store)

    assert (health.returncode, health.stdout) == (1, "watching; 1 open: auditor watch --history shows them\n")
    assert "1 open" in (store / "lines.txt").read_text()
    assert (tmp_path / "strip.svg").read_text().startswith("<svg")
    assert (accepted.returncode, accepted.stderr) == (0, "auditor: accepted 1 change\n")
    assert command("watch", "--health", "--store", store).returncode == 0
    assert command("watch", "--accept", number, "--store", store).returncode == 2
    assert "accepted" in command("watch", "--history", "--store", store).stdout


def test_outlets_of_the_command(tmp_path):
    ring, store = tmp_path / "ring", tmp_path / "store"
    ring.mkdir()
    store.mkdir()
    (store / "watch.yaml").write_text("file: lines.txt\nmetrics: watch.prom\n")
    for number, evening in enumerate((EVENING, replace(EVENING, version="9.9"))):
        path = record(evening).write(ring / f"{number}.pcapng")
        past = time.time() - 3_600 + number
        os.utime(path, (past, past))
        command("watch", ring, "--store", store, "--learn", "1")

    assert "software changed 0.14.1 -> 9.9" in (store / "lines.txt").read_text()
    assert "lighting_watch_judged_nights_total 2\n" in (store / "watch.prom").read_text()
    (store / "watch.yaml").write_text("webhook: http://198.51.100.1/\n")
    refused = command("watch", ring, "--store", store)
    assert refused.returncode == 2
    assert "private or loopback" in refused.stderr
