"""What evaluation delivers."""

from __future__ import annotations

from enum import IntEnum, StrEnum
from typing import Literal

from auditor.flows.flow import PacketReference
from auditor.value_class import value_class


class Outcome(StrEnum):
    """The four answers (house contract)."""

    FOUND = "found"
    NOT_FOUND = "not-found"
    UNDETERMINED = "undetermined"
    NOT_APPLICABLE = "not-applicable"


class Severity(IntEnum):
    """Small and ours; ordered."""

    INFO = 0
    LOW = 1
    MEDIUM = 2
    HIGH = 3
    CRITICAL = 4

    @property
    def word(self) -> str:
        """As written in rules and reports."""
        return self.name.lower()


@value_class
class RemediationStep:
    """One thing to do."""

    do: str
    stops: str
    test: str
    undo: str


@value_class
class Reference:
    """A published standard that the rule leans on."""

    standard: str
    clause: str
    strength: str | None
    """``shall``, ``should``, ``informative`` …; None where the document has no such words."""


@value_class
class Finding:
    """Something the recording shows."""

    finding_id: str
    """Sixteen hexadecimal digits: rule, device identity and the rule's identity fields."""
    rule_id: str
    title: str
    severity: Severity
    confidence: Literal["seen", "inferred"]
    device_id: str
    summary: str
    household: str
    evidence: tuple[PacketReference, ...]
    count: int
    """Facts that are this same finding."""
    rationale: str
    remediation: tuple[RemediationStep, ...]
    references: tuple[Reference, ...]


@value_class
class AcceptedFinding:
    """A finding that the household lives with."""

    finding: Finding
    because: str
    until: str
    """RFC 3339 full-date."""
    expired: bool
    """The end date has passed by the end of the recording or the given day; it counts again."""


@value_class
class Assessment:
    """One rule's answer for one subject."""

    rule_id: str
    device_id: str
    """A device, or ``network``."""
    outcome: Outcome
    reason: str
    scope: str | None
    """Required for not-found."""
    record_next: str | None
    """Required for undetermined."""
    finding_ids: tuple[str, ...]


@value_class
class Judgement:
    """All answers of one run, sorted: assessments by device and rule, findings by severity, device, rule."""

    assessments: tuple[Assessment, ...]
    findings: tuple[Finding, ...]
    accepted: tuple[AcceptedFinding, ...]
