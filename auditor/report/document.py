"""
Everything known about one run as plain data: the document behind every form of the report.

Contract: house section 9, schema 1; ``schema/report-1.schema.json`` describes
every key.  The document built here is *not* redacted: hand it to
``auditor.redaction.redact`` before anything is shown.  Renderers read the
redacted document and nothing else, so that no two forms can disagree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from auditor.addresses import format_address, format_link
from auditor.capture.record import CaptureFacts, CaptureIssue
from auditor.dissect.message import Issue
from auditor.flows.flow import PacketReference, Period
from auditor.inventory.facts import (
    AnnouncementFact,
    ControlFact,
    Fact,
    LocalContactFact,
    RemoteContactFact,
    ServiceFact,
)
from auditor.inventory.model import CaptureSummary, CouldNotSee, Coverage, Device, Inventory
from auditor.redaction.documents import RawDocument
from auditor.registries import link_type_name
from auditor.report.evidence import EvidenceBook, PacketHeader
from auditor.ruleset.finding import AcceptedFinding, Assessment, Finding, Judgement
from auditor.units import format_time

SCHEMA_VERSION = 1

Document = dict[str, Any]
"""A JSON object; key order is that of the house contract and part of "same input, same octets out"."""

EMPTY_JUDGEMENT = Judgement(assessments=(), findings=(), accepted=())
"""For ``check``, which runs no rules."""

NOTHING_JUDGED = "Can anything be judged from this recording?"
"""Question of the entry in ``could_not_see`` that stands first where nothing could be judged."""

_FactT = TypeVar("_FactT", bound=Fact)


def build_document(
    inventory: Inventory,
    judgement: Judgement,
    *,
    tool_version: str,
    could_not_see: Sequence[CouldNotSee] = (),
    headers: Mapping[PacketReference, PacketHeader] | None = None,
    input_issues: Sequence[CaptureIssue] = (),
    plan: Document | None = None,
    comparison: Document | None = None,
    moments: Document | None = None,
) -> RawDocument:
    """
    Build the unredacted document of one run.

    ``could_not_see`` holds what the pipeline itself has to say (an input that
    could not be read, nothing to judge); it is put before what the coverage says.
    ``headers`` are what a ``HeaderKeeper`` kept of this run; ``input_issues``
    tell of files in a folder that are no captures; ``plan`` is what ``plan.build_plan`` made, ``comparison``
    what ``comparison.build_comparison`` made, ``moments`` what ``moments.build_moments`` made; without one
    the document has no such key.
    """
    names = capture_names(inventory.captures)
    book = EvidenceBook(inventory, names, headers or {})
    reference = book.reference

    def finding(one: Finding) -> Document:
        return _finding(one, [book.evidence(packet) for packet in one.evidence])

    order = {device.device_id: place for place, device in enumerate(inventory.devices)}

    def rows(word: str, kind: type[_FactT], sort_key: Callable[[_FactT], tuple[Any, ...]]) -> list[_FactT]:
        facts = [fact for fact in inventory.facts.get(word, ()) if isinstance(fact, kind)]
        return sorted(facts, key=lambda fact: (order.get(fact.device_id, len(order)), *sort_key(fact)))

    software: dict[str, dict[str, str]] = {}
    for fact in rows(
        "announcement", AnnouncementFact, lambda fact: (fact.service_name or "", fact.last_seen_ns)
    ):
        if fact.version is not None and fact.service_name is not None:
            software.setdefault(fact.device_id, {})[fact.service_name] = fact.version

    document: Document = {
        "schema_version": SCHEMA_VERSION,
        "tool_version": tool_version,
        "redaction": {"applied": False, "revealed": True},
        "captures": [
            _capture(summary, name) for summary, name in zip(inventory.captures, names, strict=True)
        ],
        "coverage": _coverage(inventory.coverage, could_not_see),
        "devices": [_device(device, software.get(device.device_id, {})) for device in inventory.devices],
        "services": [
            _service(fact, reference)
            for fact in rows("service", ServiceFact, lambda fact: (fact.family, fact.transport, fact.port))
        ],
        "remote_contacts": [
            _remote_contact(fact)
            for fact in rows(
                "remote-contact",
                RemoteContactFact,
                lambda fact: (fact.first_seen_ns, fact.address, fact.transport, fact.port, fact.initiator),
            )
        ],
        "local_contacts": [
            _local_contact(fact)
            for fact in rows(
                "local-contact",
                LocalContactFact,
                lambda fact: (fact.first_seen_ns, fact.peer_id, fact.transport, fact.port, fact.family),
            )
        ],
        "controls": [
            _control(fact, reference)
            for fact in rows(
                "control",
                ControlFact,
                lambda fact: (fact.first_seen_ns, fact.from_id, fact.protocol, fact.operation, fact.effect),
            )
        ],
        "assessments": [_assessment(one) for one in judgement.assessments],
        "findings": [finding(one) for one in _counting_findings(judgement)],
        "accepted": [
            {**finding(one.finding), "because": one.because, "until": one.until} for one in judgement.accepted
        ],
        "plan": plan,
        "issues": [
            *({"where": "input", "problem": one.detail, "count": max(1, one.count)} for one in input_issues),
            *_issues(inventory.issues, inventory.unread_messages),
        ],
    }
    if comparison is not None:
        document["comparison"] = comparison
    if moments is not None:
        document["moments"] = moments
    return RawDocument(document)


def _counting_findings(judgement: Judgement) -> list[Finding]:
    """Those that count, and those whose acceptance has run out, which count again."""
    known = {one.finding_id for one in judgement.findings}
    again = [one.finding for one in judgement.accepted if _counts_again(one, known)]
    if not again:
        return list(judgement.findings)
    return sorted(
        [*judgement.findings, *again],
        key=lambda one: (-one.severity, one.device_id, one.rule_id, one.finding_id),
    )


def _counts_again(accepted: AcceptedFinding, known: set[str]) -> bool:
    return accepted.expired and accepted.finding.finding_id not in known


def capture_names(captures: Sequence[CaptureSummary]) -> list[str]:
    """A name for each capture that no other one of the run has, because evidence is named by it."""
    seen: Counter[str] = Counter()
    taken: set[str] = set()
    names = []
    for summary in captures:
        name = stem = _base_name(summary.facts.name)
        while name in taken:
            seen[stem] += 1
            name = f"{stem} ({seen[stem] + 1})"
        taken.add(name)
        names.append(name)
    return names


def _base_name(name: str) -> str:
    """Without folders of either system: folder names say who lives here."""
    return name.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1] or "-"


def _time(timestamp_ns: int | None) -> str | None:
    return None if timestamp_ns is None else format_time(timestamp_ns)


def _capture(summary: CaptureSummary, name: str) -> Document:
    facts: CaptureFacts = summary.facts
    return {
        "name": name,
        "sha256": facts.sha256,
        "octets": facts.octets,
        "format": facts.format,
        "link_types": list(
            dict.fromkeys(link_type_name(interface.link_type) for interface in facts.interfaces)
        ),
        "vantage": summary.vantage,
        "packets": facts.packets,
        "first_seen": _time(facts.first_ns),
        "last_seen": _time(facts.last_ns),
        "issues": [
            {"kind": str(issue.kind), "count": issue.count, "detail": issue.detail}
            for issue in summary.issues
        ],
    }


def _coverage(coverage: Coverage, before: Sequence[CouldNotSee]) -> Document:
    entries: dict[tuple[str, str, str], None] = {}  # keeps order, drops repetitions
    for entry in (*before, *coverage.could_not_see, *coverage.missing.values()):
        entries.setdefault((entry.question, entry.reason, entry.record_next))
    return {
        "vantage": coverage.vantage,
        "duration_seconds": round(coverage.duration_seconds, 9),
        "abilities": list(coverage.abilities),
        "phases": list(coverage.phases),
        "could_not_see": [
            {"question": question, "reason": reason, "record_next": record_next}
            for question, reason, record_next in entries
        ],
    }


def _device(device: Device, software: Mapping[str, str]) -> Document:
    return {
        "device_id": device.device_id,
        "nickname": device.nickname,
        "is_chosen": device.is_chosen,
        "link_addresses": [format_link(link) for link in device.link_addresses],
        "locally_administered": device.locally_administered,
        "addresses": [format_address(address) for address in device.addresses],
        "hostnames": list(device.hostnames),
        "vendor": device.vendor,
        "roles": list(device.roles),
        "lighting": {
            "rank": device.lighting.rank,
            "confidence": device.lighting.confidence,
            "reasons": list(device.lighting.reasons),
        },
        "abilities": list(device.abilities),
        "software": [{"service_name": name, "version": software[name]} for name in sorted(software)],
    }


def _first_packet(fact: Fact, reference: Callable[[PacketReference], Document]) -> Document | None:
    return reference(fact.evidence[0]) if fact.evidence else None


def _period(period: Period | None) -> Document | None:
    if period is None:
        return None
    return {
        "median_seconds": round(period.median_seconds, 9),
        "jitter_seconds": round(period.jitter_seconds, 9),
        "count": period.count,
    }


def _service(fact: ServiceFact, reference: Callable[[PacketReference], Document]) -> Document:
    return {
        "device_id": fact.device_id,
        "family": fact.family,
        "transport": fact.transport,
        "port": fact.port,
        "application_protocol": fact.application_protocol,
        "state": fact.state,
        "confidentiality": fact.confidentiality,
        "reached_from": list(fact.reached_from),
        "first_packet": _first_packet(fact, reference),
    }


def _remote_contact(fact: RemoteContactFact) -> Document:
    return {
        "device_id": fact.device_id,
        "initiator": fact.initiator,
        "name": fact.name,
        "name_source": fact.name_source,
        "name_is_outer": fact.name_is_outer,
        "family": fact.family,
        "address": fact.address,
        "port": fact.port,
        "transport": fact.transport,
        "application_protocol": fact.application_protocol,
        "confidentiality": fact.confidentiality,
        "sent_octets": fact.sent_octets,
        "received_octets": fact.received_octets,
        "flows": fact.flows,
        "period": _period(fact.period),
        "first_seen": format_time(fact.first_seen_ns),
        "last_seen": format_time(fact.last_seen_ns),
        "outcomes": {str(outcome): fact.outcomes[outcome] for outcome in sorted(fact.outcomes)},
    }


def _local_contact(fact: LocalContactFact) -> Document:
    return {
        "device_id": fact.device_id,
        "peer_id": fact.peer_id,
        "family": fact.family,
        "transport": fact.transport,
        "port": fact.port,
        "application_protocol": fact.application_protocol,
        "flows": fact.flows,
        "period": _period(fact.period),
        "initiator_known": str(fact.initiator_known),
        "outcomes": {str(outcome): fact.outcomes[outcome] for outcome in sorted(fact.outcomes)},
    }


def _control(fact: ControlFact, reference: Callable[[PacketReference], Document]) -> Document:
    return {
        "device_id": fact.device_id,
        "from_id": fact.from_id,
        "protocol": fact.protocol,
        "operation": fact.operation,
        "effect": fact.effect,
        "authentication": fact.authentication,
        "answered": fact.answered,
        "count": fact.count,
        "first_packet": _first_packet(fact, reference),
    }


def _assessment(one: Assessment) -> Document:
    return {
        "rule_id": one.rule_id,
        "device_id": one.device_id,
        "outcome": str(one.outcome),
        "reason": one.reason,
        "scope": one.scope,
        "record_next": one.record_next,
        "finding_ids": list(one.finding_ids),
    }


def _finding(one: Finding, evidence: list[Document]) -> Document:
    return {
        "finding_id": one.finding_id,
        "rule_id": one.rule_id,
        "severity": one.severity.word,
        "confidence": one.confidence,
        "device_id": one.device_id,
        "summary": one.summary,
        "household": one.household,
        "evidence": evidence,
        "rationale": one.rationale,
        "remediation": [
            {"do": step.do, "stops": step.stops, "test": step.test, "undo": step.undo}
            for step in one.remediation
        ],
        "references": [
            {"standard": item.standard, "clause": item.clause, "strength": item.strength}
            for item in one.references
        ],
    }


def _issues(issues: Sequence[Issue], unread_messages: int) -> list[Document]:
    """What could not be read inside packets, equal ones counted, most frequent first."""
    counts = Counter((issue.where, issue.problem) for issue in issues)
    found = [
        {"where": where, "problem": problem, "count": count}
        for (where, problem), count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    ]
    if unread_messages:
        found.append(
            {
                "where": "payload",
                "problem": "in conversations of the judged devices, of no protocol that is read here",
                "count": unread_messages,
            }
        )
    return found
