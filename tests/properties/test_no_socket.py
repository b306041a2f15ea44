"""
An audit opens no socket: proven at run time, because import contracts cannot see inside libraries.

Source: house rule "nothing outside auditor.live opens a socket"; Python's audit events (PEP 578,
``socket.__new__``, ``socket.connect``, ``socket.bind``, ``socket.getaddrinfo``) see every call of the process.
"""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CAPTURES = sorted((ROOT / "captures").glob("*.pcap*"))

PROGRAM = """
import sys
seen = []
def hook(event, arguments):
    if event.startswith("socket."):
        seen.append(event)
sys.addaudithook(hook)
import auditor
report = auditor.audit([sys.argv[1]])
assert report.to_json().startswith("{")
print("socket calls:", seen)
sys.exit(1 if seen else 0)
"""


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.name)
def test_audit_makes_no_socket_call(capture):
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(capture)], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert "socket calls: []" in done.stdout


def test_the_hook_would_see_a_socket():
    opens = PROGRAM.replace("import auditor\n", "import auditor, socket; socket.socket().close()\n")
    done = subprocess.run(
        [sys.executable, "-c", opens, str(CAPTURES[0])], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert done.returncode == 1
    assert "socket.__new__" in done.stdout
