"""Mistakes in what the user wrote, gathered with their places before the first is shown."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import NamedTuple

from auditor.errors import SettingsError

MAX_PROBLEMS = 50  # more than anybody mends before trying again
MAX_SHOWN_CHARACTERS = 60  # of a value that the message repeats


class Place(NamedTuple):
    """Where in a file; line and column count from 1, 0 stands for the file as a whole."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file


class Problem(NamedTuple):
    """One mistake: ``expected …, found …``."""

    place: Place
    text: str

    def __str__(self) -> str:
        return f"{self.place}: {self.text}"


class Problems:
    """All mistakes of one run of reading; at most ``MAX_PROBLEMS`` are kept, the rest is counted."""

    def __init__(self) -> None:
        self._kept: list[Problem] = []
        self.count = 0

    def add(self, place: Place, text: str) -> None:
        """Note a mistake."""
        self.count += 1
        if len(self._kept) < MAX_PROBLEMS:
            self._kept.append(Problem(place, text))

    def sorted(self) -> tuple[Problem, ...]:
        """By file, line and column."""
        return tuple(sorted(self._kept))

    def raise_as(self, error: type[SettingsError]) -> None:
        """
        Raise all of them as one error, if there are any.

        The text has one line for each; ``location`` is that of the first.
        """
        if not self.count:
            return
        first, *others = self.sorted()
        lines = [first.text, *map(str, others)]
        if self.count > len(self._kept):
            lines.append(f"and {self.count - len(self._kept)} more")
        raise error(str(first.place), "\n".join(lines))


def shown(text: object) -> str:
    """A value as a message may repeat it: ASCII, quoted, at most ``MAX_SHOWN_CHARACTERS``."""
    whole = str(text)
    cut = whole[:MAX_SHOWN_CHARACTERS]
    return ascii(cut) + ("…" if len(whole) > len(cut) else "")


def nearest(word: str, known: Iterable[str]) -> str:
    """``; nearest is 'x'`` where a known word is near, else nothing."""
    close = difflib.get_close_matches(word[:MAX_SHOWN_CHARACTERS], list(known), n=1)
    return f"; nearest is {shown(close[0])}" if close else ""
