"""
Conditions as functions, made once for all facts of a run.

The classes of ``conditions`` say what a condition means and why an answer is
unknown; a run asks some rules of some ten thousand facts, and the way through
their methods costs several times the comparison itself.  A test holds both to
the same answers.
"""

from __future__ import annotations

from collections.abc import Callable

from auditor.inventory.facts import Fact
from auditor.ruleset.conditions import Block, Condition, Line, OneOf
from auditor.ruleset.truth import Truth, negation

Decider = Callable[[Fact], Truth]


def make_decider(condition: Condition) -> Decider:
    """A function that gives what ``condition.truth`` gives."""
    where = block_decider(condition.where)
    unless = [block_decider(block) for block in condition.unless]
    unclear = [block_decider(block) for block in condition.unclear]
    if not unless and not unclear:
        return where

    def decide(fact: Fact) -> Truth:
        answer = where(fact)
        if answer is False and not unclear:
            return False
        excepted = _any(unless, fact)
        if answer is not False:
            but = negation(excepted)
            answer = but if answer is True or but is False else None
        if answer is False and excepted is not True and any(block(fact) for block in unclear):
            return None
        return answer

    return decide


def block_decider(block: Block) -> Decider:
    """A function that gives what ``block.truth`` gives."""
    lines = tuple(_line(line) for line in block.lines)
    either = [block_decider(alternative) for alternative in block.either]

    def decide(fact: Fact) -> Truth:
        result: Truth = True
        for line in lines:
            answer = line(fact)
            if answer is False:
                return False
            if answer is None:
                result = None
        if either:
            answer = _any(either, fact)
            if answer is False:
                return False
            if answer is None:
                result = None
        return result

    return decide


def _any(deciders: list[Decider], fact: Fact) -> Truth:
    result: Truth = False
    for decide in deciders:
        answer = decide(fact)
        if answer is True:
            return True
        if answer is None:
            result = None
    return result


def _line(line: Line) -> Decider:
    read = line.field.reader
    if not isinstance(line.test, OneOf):
        holds = line.test.holds
        return lambda fact: holds(read(fact))
    values = line.test.values

    def decide(fact: Fact) -> Truth:
        value = read(fact)
        if value is None:
            return None
        if isinstance(value, tuple):
            return not values.isdisjoint(value)
        return value in values

    return decide
