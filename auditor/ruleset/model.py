"""A rule and a set of rules, typed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from auditor.inventory.model import Ability
from auditor.ruleset.conditions import Block, Condition
from auditor.ruleset.fields import Field
from auditor.ruleset.finding import Outcome, Reference, RemediationStep, Severity
from auditor.ruleset.templates import Template
from auditor.value_class import value_class

NETWORK = "network"
"""The subject that is no device: facts of the network as a whole carry it as their ``device_id``."""

ANY = "any"
"""In ``applies_to``: every device, whatever its role."""


@value_class
class SeverityBranch:
    """A severity that holds where its block does."""

    where: Block
    severity: Severity


@value_class
class SeverityChoice:
    """The usual severity, and others by first match."""

    usual: Severity
    otherwise: tuple[SeverityBranch, ...] = ()


@value_class
class Proof:
    """A capture on which the rule must answer so."""

    capture: str
    """Path below ``captures/``, with ``/``."""
    outcome: Outcome


@value_class
class Rule:
    """One rule of one file."""

    rule_id: str
    family: str
    """The file's name without suffix."""
    location: str
    """``file:line:column`` of its id."""
    is_bundled: bool
    title: str
    severity: SeverityChoice
    roles: tuple[str, ...]
    """Whom it concerns: roles, ``any`` (devices), ``network``."""
    about: str
    identity: tuple[Field, ...]
    needs: tuple[Ability, ...]
    condition: Condition
    summary: Template
    household: Template
    rationale: str
    remediation: tuple[RemediationStep, ...]
    references: tuple[Reference, ...]
    proofs: tuple[Proof, ...]


@dataclass(frozen=True, slots=True)
class RuleSet:
    """Rules by id, each once; iterates in the order of the ids."""

    rules: tuple[Rule, ...]
    _by_id: Mapping[str, Rule] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "rules", tuple(sorted(self.rules, key=lambda rule: rule.rule_id)))
        object.__setattr__(self, "_by_id", {rule.rule_id: rule for rule in self.rules})

    def __iter__(self) -> Iterator[Rule]:
        return iter(self.rules)

    def __len__(self) -> int:
        return len(self.rules)

    def __contains__(self, rule_id: object) -> bool:
        return rule_id in self._by_id

    def rule(self, rule_id: str) -> Rule:
        """Look a rule up; raises ``KeyError``."""
        return self._by_id[rule_id]

    @property
    def ids(self) -> tuple[str, ...]:
        """All ids, sorted."""
        return tuple(self._by_id)
