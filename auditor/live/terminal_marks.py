"""Marks that the user types while recording: ``m`` and what was done, then Enter; ``q`` ends."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Sequence

from auditor.home.loader import MAX_ACTIONS, MAX_REASON_CHARACTERS
from auditor.home.model import Action

MAX_LINE_OCTETS = 4096  # a terminal hands over no longer line (termios(3), canonical mode)
HOW = "as you act, type m and the word (m app) and Enter; q and Enter ends"


def is_typed_at() -> bool:
    """Whether a person sits at standard input, and not behind a job in the background."""
    try:
        descriptor = sys.stdin.fileno()
        if not os.isatty(descriptor):
            return False
        return not hasattr(os, "tcgetpgrp") or os.tcgetpgrp(descriptor) == os.getpgrp()
    except (OSError, ValueError, AttributeError):  # no standard input at all
        return False


class TerminalMarks:
    """``MarkSource`` that a thread fills from a file descriptor; the thread ends with the process."""

    def __init__(self, descriptor: int, stop: threading.Event, tell: Callable[[str], None]) -> None:
        self._descriptor, self._stop, self._tell = descriptor, stop, tell
        self._marks: queue.SimpleQueue[Action] = queue.SimpleQueue()
        self._count = 0
        # The descriptor, not the stream: a thread that holds the stream's lock blocks the end of the process.
        threading.Thread(target=self._listen, daemon=True, name="marks").start()

    def take(self) -> Sequence[Action]:
        """Marks since the last call."""
        marks = []
        while not self._marks.empty():
            marks.append(self._marks.get())
        return marks

    def _listen(self) -> None:
        rest = b""
        while not self._stop.is_set():
            try:
                octets = os.read(self._descriptor, MAX_LINE_OCTETS)
            except OSError:
                return
            if not octets:
                return
            *lines, rest = (rest + octets).split(b"\n")
            rest = rest[-MAX_LINE_OCTETS:]
            for line in lines:
                self._understand(line.decode("utf-8", "replace"), time.time_ns())

    def _understand(self, line: str, now_ns: int) -> None:
        word, _, what = "".join(c if c.isprintable() else " " for c in line).strip().partition(" ")
        if word == "q":
            self._tell("ending")
            self._stop.set()
        elif word != "m" or not what.strip():
            self._tell(HOW)
        elif self._count >= MAX_ACTIONS:
            self._tell(f"not marked: {MAX_ACTIONS} marks are as many as a home file holds")
        else:
            self._count += 1
            action = Action(at_ns=now_ns, what=" ".join(what.split())[:MAX_REASON_CHARACTERS])
            self._marks.put(action)
            self._tell(f"marked: {action.what}")
