"""Questions on the terminal; asked on standard error, because standard output is for the result."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

from auditor.cli.output import say

MAX_TRIES = 3
"""A third wrong answer is somebody who does not know: the question's default is taken, and said."""
MAX_ANSWER_CHARACTERS = 500
"""All words of the longest question are shorter."""


def can_ask() -> bool:
    """Whether somebody sits at both ends."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask_line(question: str) -> str:
    """One line; at the end of input an empty one."""
    sys.stderr.write(f"{question} ")
    sys.stderr.flush()
    return sys.stdin.readline(MAX_ANSWER_CHARACTERS).strip()


def ask_yes(question: str, *, default: bool, read: Callable[[str], str] = ask_line) -> bool:
    """Yes or no; an empty answer is the default, in capitals."""
    word = choose(
        f"{question} [{'Y/n' if default else 'y/N'}]", ("yes", "no"), "yes" if default else "no", read
    )
    return word == "yes"


def choose(question: str, words: Sequence[str], default: str, read: Callable[[str], str] = ask_line) -> str:
    """One of some words, or as many letters of it as tell it apart."""
    for _ in range(MAX_TRIES):
        answer = read(question).casefold()
        if not answer:
            return default
        fitting = [word for word in words if word.startswith(answer)]
        if len(fitting) == 1 or answer in words:
            return answer if answer in words else fitting[0]
        say(f"please answer {', '.join(words)}")
    say(f"taken: {default}")
    return default


def choose_several(
    question: str, words: Sequence[str], default: Sequence[str], read: Callable[[str], str] = ask_line
) -> tuple[str, ...]:
    """Words apart by spaces or commas, in the order of ``words``."""
    for _ in range(MAX_TRIES):
        answer = read(question).casefold().replace(",", " ").split()
        if not answer:
            return tuple(default)
        unknown = [word for word in answer if word not in words]
        if not unknown:
            return tuple(word for word in words if word in answer)
        say(f"please answer with words of: {', '.join(words)}")
    say(f"taken: {', '.join(default)}")
    return tuple(default)
