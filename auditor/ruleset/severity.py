"""How grave a fact is, here: the usual severity or the first branch that holds."""

from __future__ import annotations

from typing import Literal, NamedTuple

from auditor.inventory.facts import Fact
from auditor.ruleset.finding import Severity
from auditor.ruleset.model import SeverityChoice


class Weight(NamedTuple):
    """A severity and how sure we are of it; compares by severity, then ``seen`` over ``inferred``."""

    severity: Severity
    is_seen: bool

    @property
    def confidence(self) -> Literal["seen", "inferred"]:
        """As the report words it."""
        return "seen" if self.is_seen else "inferred"


def weigh(choice: SeverityChoice, fact: Fact) -> Weight:
    """
    First match wins.

    Where a branch is unknown, no later one may be taken as the first, so that
    the usual severity holds and counts as inferred (house contract).
    """
    for branch in choice.otherwise:
        truth = branch.where.truth(fact)
        if truth is None:
            return Weight(choice.usual, is_seen=False)
        if truth:
            return Weight(branch.severity, is_seen=True)
    return Weight(choice.usual, is_seen=True)
