"""
Facts and rules to assessments and findings.

For one rule and one subject: a rule that does not concern the subject gives
``not-applicable``; a fact for which the condition is true gives ``found``,
whatever the rule needs; else a fact for which it is unknown, or a missing
ability, gives ``undetermined``; else ``not-found``, limited by the scope of the
recording.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import NamedTuple

from auditor.flows.flow import PacketReference
from auditor.home.model import Home
from auditor.inventory.fact_base import sort_facts
from auditor.inventory.facts import COMPARISON_FACTS, MAX_EVIDENCE, ControlFact, Fact
from auditor.inventory.model import Ability, Device, Inventory
from auditor.ruleset.acceptance import check_acceptances, divide_accepted, last_day
from auditor.ruleset.advice import field_words, join_sentences, lacking, next_for_field
from auditor.ruleset.fields import peers_of
from auditor.ruleset.finding import Assessment, Finding, Judgement, Outcome
from auditor.ruleset.identity import IdentityValue, finding_id
from auditor.ruleset.model import ANY, NETWORK, Rule, RuleSet
from auditor.ruleset.prepared import PreparedRule
from auditor.ruleset.unread import could_hold, unread_sentences
from auditor.settings.typed import list_words
from auditor.value_class import value_class

MAX_FINDINGS = 10_000
"""Of one run.  Beyond it the gravest are kept and the assessments say how many were left out: a hostile
recording can name as many hosts as it has packets."""

# A stream to a group loads every device of the segment, the chosen ones included, though it names none.
_TOUCHES_EVERYBODY = frozenset({"group-load"})


def _touches_everybody(about: str, fact: Fact) -> bool:
    """Whether a fact concerns every device though it names none."""
    return about in _TOUCHES_EVERYBODY or (isinstance(fact, ControlFact) and fact.is_to_everybody)


@value_class
class _Subject:
    """A device or the network, with the facts that may be told of it."""

    subject_id: str
    identity: str
    roles: frozenset[str]
    abilities: frozenset[Ability]
    facts: Mapping[str, Sequence[Fact]]


class _Answer(NamedTuple):
    assessment: Assessment
    findings: tuple[Finding, ...]


def evaluate(inventory: Inventory, rules: RuleSet, home: Home, *, today: date | None = None) -> Judgement:
    """
    Judge every rule for every subject.

    Subjects are the chosen devices, every other device with a finding that
    touches a chosen one, and ``network``.  A device that the user chose counts
    as a lighting device here: choosing it is asking about it.  ``today``
    lets acceptances run out later than the recording; None leaves them to the
    recording's own end.  The result does not depend on the order of facts.
    Raises ``HomeError`` where the home file accepts a rule that is not in ``rules``.
    """
    check_acceptances(home, rules)
    identities = {device.device_id: device.identity for device in inventory.devices}
    answers: list[_Answer] = []
    # A rule about two recordings has nothing to say of one.
    asked = [
        PreparedRule(rule)
        for rule in rules
        if rule.about not in COMPARISON_FACTS or rule.about in inventory.facts
    ]
    for subject, is_optional in _subjects(inventory):
        own = [_judge(rule, subject, inventory, identities) for rule in asked]
        if not is_optional or any(answer.findings for answer in own):
            answers += own
    order = {device.device_id: place for place, device in enumerate(inventory.devices)}
    assessments = sorted(
        (answer.assessment for answer in answers),
        key=lambda entry: (order.get(entry.device_id, len(order)), entry.rule_id),
    )
    findings = sorted(
        (finding for answer in answers for finding in answer.findings),
        key=lambda entry: (
            -entry.severity,
            order.get(entry.device_id, len(order)),
            entry.rule_id,
            entry.finding_id,
        ),
    )
    days = (last_day(inventory.coverage.end_ns), today)
    counting, accepted = divide_accepted(findings[:MAX_FINDINGS], home, inventory.devices, days)
    if len(findings) > MAX_FINDINGS:
        kept = {finding.finding_id for finding in findings[:MAX_FINDINGS]}
        assessments = [_without_cut(entry, kept) for entry in assessments]
    return Judgement(assessments=tuple(assessments), findings=counting, accepted=accepted)


def _subjects(inventory: Inventory) -> Iterable[tuple[_Subject, bool]]:
    """Subjects in the inventory's order, ``network`` last; whether one drops out without a finding."""
    chosen = {device.device_id for device in inventory.devices if device.is_chosen}
    by_device: dict[str, dict[str, list[Fact]]] = defaultdict(lambda: defaultdict(list))
    for about, facts in inventory.facts.items():
        for fact in facts:
            touches = _touches_everybody(about, fact) or not chosen.isdisjoint(peers_of(fact))
            if fact.device_id in chosen or fact.device_id == NETWORK or (chosen and touches):
                by_device[fact.device_id][about].append(fact)
    for device in inventory.devices:
        if device.is_chosen or device.device_id in by_device:
            yield _subject_of(device, by_device.get(device.device_id, {})), not device.is_chosen
    yield (
        _Subject(
            subject_id=NETWORK,
            identity=NETWORK,
            roles=frozenset({NETWORK}),
            abilities=frozenset(inventory.coverage.abilities),
            facts=by_device.get(NETWORK, {}),
        ),
        False,
    )


def _subject_of(device: Device, facts: Mapping[str, Sequence[Fact]]) -> _Subject:
    return _Subject(
        subject_id=device.device_id,
        identity=device.identity,
        roles=frozenset({*device.roles, ANY} | ({"lighting"} if device.is_chosen else set())),
        abilities=frozenset(device.abilities),
        facts=facts,
    )


def _judge(
    prepared: PreparedRule, subject: _Subject, inventory: Inventory, identities: Mapping[str, str]
) -> _Answer:
    rule, decide = prepared.rule, prepared.decide
    if subject.roles.isdisjoint(rule.roles):
        return _answer(rule, subject, Outcome.NOT_APPLICABLE, _whom_it_concerns(rule, subject))
    matching: list[Fact] = []
    unclear: list[Fact] = []
    for fact in subject.facts.get(rule.about, ()):
        truth = decide(fact)
        if truth:
            matching.append(fact)
        elif truth is None:
            unclear.append(fact)
    if matching:
        findings = _findings(prepared, subject, matching, identities)
        what = "finding" if len(findings) == 1 else "findings"
        return _answer(rule, subject, Outcome.FOUND, f"We saw it: {len(findings)} {what}.", findings=findings)
    unknown = frozenset().union(*map(prepared.unknown_fields, unclear))
    coverage = inventory.coverage
    missing = [lacking(ability, coverage) for ability in rule.needs if ability not in subject.abilities]
    unread = could_hold(rule, inventory.unread.get(subject.subject_id, ()))
    if missing or unknown or unread:
        reasons = [_sentence(entry.reason) for entry in missing]
        advice = [entry.record_next for entry in missing]
        told, steps = unread_sentences(unread)
        reasons += told
        advice += steps
        if unknown:
            reasons.append(f"What we saw leaves open: {', '.join(map(field_words, sorted(unknown)))}.")
            advice += [next_for_field(name, coverage) for name in sorted(unknown)]
        reason = join_sentences(["This recording could not show it.", *reasons])
        return _answer(
            rule, subject, Outcome.UNDETERMINED, reason, record_next=join_sentences(map(_sentence, advice))
        )
    return _answer(rule, subject, Outcome.NOT_FOUND, "We did not see it.", scope=coverage.scope)


def _answer(
    rule: Rule,
    subject: _Subject,
    outcome: Outcome,
    reason: str,
    *,
    scope: str | None = None,
    record_next: str | None = None,
    findings: tuple[Finding, ...] = (),
) -> _Answer:
    assessment = Assessment(
        rule_id=rule.rule_id,
        device_id=subject.subject_id,
        outcome=outcome,
        reason=reason,
        scope=scope,
        record_next=record_next,
        finding_ids=tuple(sorted(finding.finding_id for finding in findings)),
    )
    return _Answer(assessment=assessment, findings=findings)


def _findings(
    prepared: PreparedRule, subject: _Subject, facts: Iterable[Fact], identities: Mapping[str, str]
) -> tuple[Finding, ...]:
    """One finding for all facts that the rule's identity fields do not tell apart."""
    groups: dict[tuple[IdentityValue, ...], list[Fact]] = defaultdict(list)
    for fact in facts:
        groups[prepared.identity(fact, identities)].append(fact)
    rule_id = prepared.rule.rule_id
    return tuple(
        _finding(prepared, subject, finding_id(rule_id, subject.identity, values), _in_order(group))
        for values, group in sorted(groups.items())
    )


def _finding(prepared: PreparedRule, subject: _Subject, identifier: str, facts: Sequence[Fact]) -> Finding:
    """The gravest fact gives the severity, the first of those in time the sentences."""
    rule = prepared.rule
    weights = [prepared.weigh(fact) for fact in facts]
    gravest = max(weights)
    spokesman = facts[weights.index(gravest)]
    others = len(facts) - 1
    also = f" (and {others} more of the same kind)" if others else ""
    return Finding(
        finding_id=identifier,
        rule_id=rule.rule_id,
        title=rule.title,
        severity=gravest.severity,
        confidence=gravest.confidence,
        device_id=subject.subject_id,
        summary=rule.summary.render(spokesman) + also,
        household=rule.household.render(spokesman),
        evidence=_evidence(spokesman, facts),
        count=len(facts),
        rationale=rule.rationale,
        remediation=rule.remediation,
        references=rule.references,
    )


def _evidence(spokesman: Fact, facts: Sequence[Fact]) -> tuple[PacketReference, ...]:
    """Packets of the fact that the sentences tell of go first; at most ``MAX_EVIDENCE``, in time order."""
    first = set(spokesman.evidence)
    kept = sorted(first)
    if len(facts) > 1:
        kept += sorted({reference for fact in facts for reference in fact.evidence} - first)
    return tuple(sorted(kept[:MAX_EVIDENCE]))


def _in_order(facts: list[Fact]) -> list[Fact]:
    return facts if len(facts) == 1 else sort_facts(facts, _in_time)


def _in_time(fact: Fact) -> tuple[int, tuple[PacketReference, ...]]:
    return fact.first_seen_ns, fact.evidence


def _whom_it_concerns(rule: Rule, subject: _Subject) -> str:
    if subject.subject_id == NETWORK:
        return "The rule concerns single devices, not the network as a whole."
    if rule.roles == (NETWORK,):
        return "The rule concerns the network as a whole, not single devices."
    own = sorted(subject.roles - {ANY})
    return f"The rule concerns the role {list_words(rule.roles)}; this device's is {list_words(own)}."


def _sentence(text: str) -> str:
    """Capital first letter and a full stop."""
    whole = text[:1].upper() + text[1:]
    return whole if whole.endswith(".") else f"{whole}."


def _without_cut(assessment: Assessment, kept: set[str]) -> Assessment:
    """The assessment without the ids of findings that did not fit."""
    ids = tuple(identifier for identifier in assessment.finding_ids if identifier in kept)
    if ids == assessment.finding_ids:
        return assessment
    left_out = len(assessment.finding_ids) - len(ids)
    return Assessment(
        rule_id=assessment.rule_id,
        device_id=assessment.device_id,
        outcome=assessment.outcome,
        reason=f"{assessment.reason} {left_out} of them are left out: a report holds {MAX_FINDINGS}.",
        scope=assessment.scope,
        record_next=assessment.record_next,
        finding_ids=ids,
    )
