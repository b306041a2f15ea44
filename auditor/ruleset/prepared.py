"""
Rules made ready for many facts.

``conditions``, ``severity``, ``templates`` and ``identity`` say what a rule
means; here the same is asked through functions that are put together once for
a run, and of what is the same for many facts the answer is remembered.  A test
holds both to the same answers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditor.inventory.facts import Fact
from auditor.ruleset.conditions import Block
from auditor.ruleset.deciders import block_decider, make_decider
from auditor.ruleset.fields import Reader
from auditor.ruleset.finding import Severity
from auditor.ruleset.identity import IdentityValue, identity_readers
from auditor.ruleset.model import Rule
from auditor.ruleset.severity import Weight


class PreparedRule:
    """One rule of one run."""

    __slots__ = ("_branches", "_identity", "_readers", "_unknown", "decide", "rule", "usual")

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.decide = make_decider(rule.condition)
        self.usual = rule.severity.usual
        self._branches = [(block_decider(one.where), one.severity) for one in rule.severity.otherwise]
        self._identity = identity_readers(rule)
        self._readers: list[Reader] | None = None
        self._unknown: dict[tuple[Any, ...], frozenset[str]] = {}

    def weigh(self, fact: Fact) -> Weight:
        """As ``severity.weigh`` does."""
        severity: Severity = self.usual
        for decide, otherwise in self._branches:
            truth = decide(fact)
            if truth is None:
                return Weight(severity, is_seen=False)
            if truth:
                return Weight(otherwise, is_seen=True)
        return Weight(severity, is_seen=True)

    def identity(self, fact: Fact, identities: Mapping[str, str]) -> tuple[IdentityValue, ...]:
        """As ``identity.identity_values`` does."""
        return tuple([read(fact, identities) for read in self._identity])

    def unknown_fields(self, fact: Fact) -> frozenset[str]:
        """
        As ``Condition.unknown_fields``, which looks at nothing but the fields that the condition names.

        Facts that are open are many and alike: a hundred lights left 1,500 questions open for 60 reasons.
        """
        if self._readers is None:
            self._readers = _readers(self.rule)
        values = tuple([read(fact) for read in self._readers])
        known = self._unknown.get(values)
        if known is None:
            known = self._unknown[values] = self.rule.condition.unknown_fields(fact)
        return known


def _readers(rule: Rule) -> list[Reader]:
    """How to read each field that the condition names."""
    condition = rule.condition
    blocks: list[Block] = [condition.where, *condition.unless, *condition.unclear]
    lines = [line for block in blocks for part in (block, *block.either) for line in part.lines]
    return [field.reader for field in {line.field.name: line.field for line in lines}.values()]
