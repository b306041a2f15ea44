"""A person at a terminal in a room of the lab: commands typed as they are printed, questions answered when they are asked."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
from dataclasses import dataclass, field
from pathlib import Path

from tests.lab.house import ROOT, House

COLUMNS = 80
MAX_SECONDS = 60  # a command that says nothing for so long hangs


def install(folder: Path) -> Path:
    """
    Programs as somebody finds them who has installed this one; the folder for ``PATH``.

    ``auditor`` is the tree under test.  The lab is the superuser already: where the
    machine has no ``sudo``, the word stands for nothing.
    """
    folder.mkdir()
    programs = {
        "auditor": f'PYTHONPATH="{ROOT}" exec "{sys.executable}" -m auditor "$@"',
        "sudo": 'exec "$@"',
    }
    for name, line in programs.items():
        program = folder / name
        program.write_text(f"#!/bin/sh\n{line}\n")
        program.chmod(0o755)
    return folder


@dataclass(slots=True)
class Command:
    """One command that runs at the terminal."""

    process: subprocess.Popen[bytes]
    descriptor: int
    shown: str = ""

    def wait_for(self, text: str) -> None:
        """Read until it has shown a text that it had not shown before the last call."""
        start = len(self.shown)
        while text not in self.shown[start:]:
            if not self._read():
                raise AssertionError(f"never showed {text!r}: {self.shown}")

    def type(self, line: str) -> None:
        """Type a line and Enter."""
        os.write(self.descriptor, line.encode() + b"\n")

    def interrupt(self) -> None:
        """Type Ctrl-C."""
        os.write(self.descriptor, b"\x03")

    def end(self) -> int:
        """Read to its end; the exit status."""
        while self._read():
            pass
        os.close(self.descriptor)
        return self.process.wait(MAX_SECONDS)

    def _read(self) -> bool:
        if not select.select([self.descriptor], [], [], MAX_SECONDS)[0]:
            self.process.kill()
            raise AssertionError(f"hangs: {self.shown}")
        try:
            octets = os.read(self.descriptor, 65_536)
        except OSError:  # Linux says so once the other end has closed
            return False
        self.shown += octets.decode("utf-8", "replace").replace("\r\n", "\n")
        return bool(octets)


@dataclass(slots=True)
class Terminal:
    """Commands one after another in one folder of one room, and all that the screen showed."""

    house: House
    room: str
    folder: Path
    programs: Path
    parts: list[str] = field(default_factory=list)

    def begin(self, line: str) -> Command:
        """Start a command line; its output is kept once ``finish`` is called."""
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, COLUMNS, 0, 0))
        environment = {
            "PATH": f"{self.programs}:{os.environ['PATH']}", "HOME": str(self.folder), "TERM": "dumb",
            "LANG": "C.UTF-8", "PYTHONDONTWRITEBYTECODE": "1",
        }  # fmt: skip
        process = subprocess.Popen(
            ["ip", "netns", "exec", self.house.room(self.room), "sh", "-c", line],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=self.folder, env=environment, start_new_session=True,
            preexec_fn=_take_terminal,
        )  # fmt: skip
        os.close(theirs)
        self.parts.append(f"$ {line}\n")
        return Command(process, ours)

    def finish(self, command: Command) -> int:
        """Wait for the end of a command and keep what it showed; its exit status."""
        status = command.end()
        self.parts.append(command.shown)
        self.parts.append(f"(exit status {status})\n\n")
        return status

    def run(self, line: str) -> tuple[int, str]:
        """A command without questions; exit status and what it showed."""
        command = self.begin(line)
        status = self.finish(command)
        return status, command.shown


def _take_terminal() -> None:
    """Make the terminal that of the new session, so that somebody sits at it (termios(3), TIOCSCTTY)."""
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
