"""Findings that the household said it lives with."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime

from auditor.addresses import format_link
from auditor.errors import HomeError
from auditor.home.model import Acceptance, Home
from auditor.inventory.model import Device
from auditor.ruleset.finding import AcceptedFinding, Finding
from auditor.ruleset.model import RuleSet
from auditor.settings.problems import nearest, shown
from auditor.units import NS_PER_SECOND


def check_acceptances(home: Home, rules: RuleSet) -> None:
    """Raise ``HomeError`` where the home file accepts a rule that does not exist; one line for each."""
    lines = [
        (
            entry.location,
            f"expected the id of a rule, found {shown(entry.rule)}{nearest(entry.rule, rules.ids)}",
        )
        for entry in home.accepted
        if entry.rule not in rules
    ]
    if lines:
        location, first = lines[0]
        raise HomeError(location, "\n".join([first, *(f"{place}: {text}" for place, text in lines[1:])]))


def last_day(end_ns: int | None) -> date | None:
    """The day (UTC) on which the recording ended; None where it has no time that a calendar knows."""
    if end_ns is None:
        return None
    try:
        return datetime.fromtimestamp(end_ns // NS_PER_SECOND, UTC).date()
    except (OverflowError, ValueError, OSError):  # a damaged file may hold any time
        return None


def divide_accepted(
    findings: Iterable[Finding], home: Home, devices: Iterable[Device], days: tuple[date | None, ...]
) -> tuple[tuple[Finding, ...], tuple[AcceptedFinding, ...]]:
    """
    Findings that count, and accepted ones.

    A finding whose acceptance has run out by one of ``days`` is in both.  An
    end date is the last day that is accepted.  Where several entries fit one
    finding, the one that ends last is taken.
    """
    names = {device.device_id: _names(device) for device in devices}
    counting: list[Finding] = []
    accepted: list[AcceptedFinding] = []
    for finding in findings:
        fitting = [
            entry
            for entry in home.accepted
            if entry.rule == finding.rule_id
            and (entry.device is None or entry.device in names.get(finding.device_id, ()))
        ]
        if not fitting:
            counting.append(finding)
            continue
        entry = max(fitting, key=_strength)
        expired = any(day is not None and entry.until < day for day in days)
        if expired:
            counting.append(finding)
        until = entry.until.isoformat()
        accepted.append(AcceptedFinding(finding=finding, because=entry.because, until=until, expired=expired))
    return tuple(counting), tuple(accepted)


def _strength(entry: Acceptance) -> tuple[date, bool, str]:
    return entry.until, entry.device is not None, entry.because


def _names(device: Device) -> frozenset[str]:
    links = {format_link(link) for link in device.link_addresses}
    return frozenset(links | ({device.nickname} if device.nickname else set()))
