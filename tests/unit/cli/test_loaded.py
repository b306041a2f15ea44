"""
What short commands load: the time before they answer is mostly that of imports, and this needs no clock.

Source: the project's own bounds for start-up, measured by ``tests/benchmarks/startup.py``; Python's ``sys.modules``.
"""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
QUIET, MANY = "captures/quiet-and-good.pcapng", "captures/everything-speaks.pcapng"

NEVER = {"scapy", "zeroconf", "sqlite3", "numpy.ma"}
"""Heavy, and needed by none of these commands."""
RARE = {"cryptography", "zstandard", "ssl"}
"""Needed for what few recordings hold."""
WITHOUT_RECORDING = NEVER | RARE | {"netaddr", "numpy", "auditor.pipeline"}


def loaded_by(*arguments: str) -> set[str]:
    program = (
        "import sys; from auditor.cli.main import main; status = main(sys.argv[1:]); "
        "print(status, *sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], capture_output=True, cwd=ROOT, timeout=120, check=True
    )
    status, *modules = done.stderr.decode().splitlines()[-1].split()
    assert status in {"0", "1"}
    assert done.stdout
    return set(modules)


@pytest.mark.parametrize(
    ("arguments", "unwanted"),
    [
        pytest.param(["--help"], WITHOUT_RECORDING | {"yaml", "json", "auditor.ruleset"}, id="help"),
        pytest.param(["--version"], WITHOUT_RECORDING | {"yaml", "json", "auditor.ruleset"}, id="version"),
        pytest.param(
            ["audit", "--help"], WITHOUT_RECORDING | {"yaml", "json", "auditor.ruleset"}, id="audit-help"
        ),
        pytest.param(["rules", "list"], WITHOUT_RECORDING, id="rules-list"),
        pytest.param(["rules", "explain", "remote-contact"], WITHOUT_RECORDING, id="rules-explain"),
        pytest.param(["check", "-q", QUIET], NEVER | RARE, id="check"),
        pytest.param(["audit", "-q", QUIET], NEVER | RARE, id="audit"),
        pytest.param(["audit", "-q", "--format", "json", MANY], NEVER, id="audit-of-many-protocols"),
        pytest.param(["plan", "-q", QUIET], NEVER | RARE, id="plan"),
    ],
)
def test_what_a_command_does_not_need_is_not_loaded(arguments, unwanted):
    assert not loaded_by(*arguments) & unwanted


def test_the_names_are_those_of_modules():
    """A misspelt name above would never be found loaded."""
    assert loaded_by("audit", "-q", "--format", "json", MANY) >= {"numpy", "yaml", "json", "auditor.pipeline"}
    for name in WITHOUT_RECORDING:
        assert find_spec(name), name


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_numpy_starts_no_threads_of_its_own():
    """proc(5): one entry for each thread; ours have ended with the recording."""
    program = (
        "import os, sys; from auditor.cli.main import main; main(sys.argv[1:]); "
        "print(len(os.listdir('/proc/self/task')), file=sys.stderr)"
    )
    given = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", program, "check", "-q", QUIET],
        capture_output=True,
        cwd=ROOT,
        env=given,
        timeout=120,
        check=True,
    )
    assert done.stderr.split() == [b"1"]
