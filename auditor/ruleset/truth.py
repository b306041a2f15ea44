"""
Three-valued logic: true, false and unknown (None).

Standard: the strong tables of S. C. Kleene, Introduction to Metamathematics
(1952), section 64: "unknown" is the value that could still become either.
"""

from __future__ import annotations

from collections.abc import Iterable

Truth = bool | None


def all_of(values: Iterable[Truth]) -> Truth:
    """False if one is false, else unknown if one is unknown, else true; true of nothing."""
    result: Truth = True
    for value in values:
        if value is False:
            return False
        if value is None:
            result = None
    return result


def any_of(values: Iterable[Truth]) -> Truth:
    """True if one is true, else unknown if one is unknown, else false; false of nothing."""
    result: Truth = False
    for value in values:
        if value is True:
            return True
        if value is None:
            result = None
    return result


def negation(value: Truth) -> Truth:
    """The other one; unknown stays unknown."""
    return None if value is None else not value
