"""
What the recording as a whole could show, judged before any rule.

House contract: a negative is worth only as much as its scope (from where, how
long, which actions), and what could not be seen is said with what to record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from auditor.addresses import format_link
from auditor.capture.record import CaptureFacts, CaptureIssue, IssueKind
from auditor.flows.flow import Flow
from auditor.inventory.abilities import PLACE, RECORD_NEXT, could_not_see
from auditor.inventory.model import ABILITIES, Ability, CaptureSummary, CouldNotSee, Coverage
from auditor.inventory.survey import Survey
from auditor.inventory.timeline import Timeline
from auditor.inventory.vantage import Judged, overall
from auditor.units import NS_PER_SECOND, format_time

MIN_BYPASSED_OCTETS = 14_600
"""Acknowledged and not recorded in one flow: a whole first flight (RFC 6928 section 2).  A recorder that
loses packets loses some of many; one that misses a flight and more of a single flow did not have it."""

MIN_BYPASSED_SHARE = 0.5  # of what was acknowledged in that direction


def went_round(flow: Flow) -> int:
    """Octets of a flow that did not pass the recorder (a router's fast path); 0: none, or few."""
    missing = 0
    for unrecorded, recorded in (
        (flow.unrecorded_sent, flow.payload_sent),
        (flow.unrecorded_received, flow.payload_received),
    ):
        if unrecorded >= MIN_BYPASSED_OCTETS and unrecorded >= MIN_BYPASSED_SHARE * (unrecorded + recorded):
            missing += unrecorded
    return missing


VANTAGE_WORDS = {
    "on-path": "from a place that the device's unicast passes",
    "own-access-point": "from the access point of the recording host, to which the device was connected",
    "own-host": "from one host's own view",
    "multicast-only": "from a place that only groups and broadcasts reach",
    "outside-nat": "from outside the home router, where no device can be told from another",
    "wireless-encrypted": "from the air, encrypted",
    "announcements-only": "from announcements alone",
    "unknown": "from a place that could not be told",
}


def build_coverage(
    judged: Sequence[Judged],
    missing_by_device: Mapping[str, Mapping[Ability, str]],
    timeline: Timeline,
    survey: Survey,
    phases: Sequence[str],
    captures: Sequence[CaptureFacts],
    overflows: Mapping[str, int],
    bypassed: Mapping[int, CaptureIssue],
    encrypted_orders: int,
    contradicting: int,
) -> Coverage:
    """Put the coverage together; abilities hold where they hold for every chosen device."""
    whole = overall(judged)
    missing: dict[Ability, str] = {}
    for reasons in missing_by_device.values():
        for ability, reason in reasons.items():
            missing.setdefault(ability, reason)
    if not missing_by_device:
        missing = dict.fromkeys(ABILITIES, "no chosen device is in the recording")
    questions = could_not_see(missing)
    start, end = timeline.start_ns, timeline.end_ns
    duration = (end - start) / NS_PER_SECOND if start is not None and end is not None else 0.0
    holes = survey.holes(captures)
    asked = [
        *questions.values(),
        *_by_vantage(whole, survey),
        *_by_file(captures, holes),
        *_by_bypass(captures, bypassed),
        *(_overflow(table, count) for table, count in sorted(overflows.items()) if count),
    ]
    if encrypted_orders:
        times = "once" if encrypted_orders == 1 else f"{encrypted_orders} times"
        asked.append(
            CouldNotSee(
                question="Does the encrypted control from inside the home ask for a login?",
                reason=f"it was tried {times} about the noted actions, and what is inside cannot be read",
                record_next=(
                    "try the app with a wrong password, or from a phone that was never set up; "
                    "the light must not react"
                ),
            )
        )
    if contradicting:
        asked.append(
            CouldNotSee(
                question="What was said in conversations whose segments contradict each other?",
                reason=(
                    f"in {contradicting} of them a side sent other octets for the same place again and "
                    "again, and nobody can tell which ones were received; it was not read further"
                ),
                record_next=(
                    "record once more, at the light's own link where you can; where it happens again, "
                    "a device on the way changes what is sent"
                ),
            )
        )
    if "remote-control" not in phases:
        asked.append(
            CouldNotSee(
                question="Is the light controlled through the internet?",
                reason="an order through a standing encrypted connection shows only in the timing of several",
                record_next=RECORD_NEXT["control-seen"],
            )
        )
    return Coverage(
        vantage=whole.vantage,
        capture_vantages=tuple(one.vantage for one in judged),
        vantage_reasons=tuple(dict.fromkeys(one.reason for one in judged)),
        start_ns=start,
        end_ns=end,
        duration_seconds=duration,
        holes=holes,
        abilities=tuple(ability for ability in ABILITIES if ability not in missing),
        missing=questions,
        phases=tuple(phases),
        could_not_see=tuple(asked),
        scope=scope_sentence(whole, duration, timeline, phases, captures, holes),
    )


def scope_sentence(
    whole: Judged,
    duration: float,
    timeline: Timeline,
    phases: Sequence[str],
    captures: Sequence[CaptureFacts],
    holes: Sequence[tuple[int, int]],
) -> str:
    """From where, how long, which actions: the limit of every negative."""
    minutes = f"{duration / 60:.0f} minutes" if duration >= 120 else f"{duration:.0f} seconds"
    done = sorted({action.what for action in timeline.actions})
    if done:
        actions = "while the user noted: " + ", ".join(done)
    elif phases:
        actions = "with no actions noted, in which we saw: " + ", ".join(phases)
    else:
        actions = "with no actions noted or seen"
    text = f"Recorded {VANTAGE_WORDS[whole.vantage]}, for {minutes}, {actions}"
    if holes:
        text += f", with {len(holes)} hole{'s' if len(holes) > 1 else ''} in which nothing was recorded"
    filters = [i.detail for facts in captures for i in facts.issues if i.kind is IssueKind.FILTERED]
    if filters:
        text += ", with only what a capture filter let through"
    return text + "."


def _by_vantage(whole: Judged, survey: Survey) -> list[CouldNotSee]:
    if whole.vantage == "own-access-point":
        return [
            CouldNotSee(
                question="Who at home talks to the device?",
                reason="the home's phones and hubs were not on the recording host's network",
                record_next="record again at the place where the device will live, on its router or switch",
            )
        ]
    if whole.vantage == "outside-nat":
        return [
            CouldNotSee(
                question="Which device is it?",
                reason="all devices share one address outside the router; names are those of any of them",
                record_next="record on the inner side of the router",
            )
        ]
    if survey.protected:
        stations = ", ".join(
            f"{format_link(link)} {frames} frames, {octets} octets"
            for link, (frames, octets) in sorted(survey.protected_by_link().items())[:8]
        )
        return [
            CouldNotSee(
                question="What is inside the encrypted frames?",
                reason=f"frames from the air are encrypted for each station by itself ({stations})",
                record_next=PLACE,
            )
        ]
    return []


def _by_file(captures: Sequence[CaptureFacts], holes: Sequence[tuple[int, int]]) -> list[CouldNotSee]:
    asked: list[CouldNotSee] = []
    for start, end in holes[:8]:
        asked.append(
            CouldNotSee(
                question=f"What happened from {format_time(start)} to {format_time(end)}?",
                reason="nothing was recorded in that time",
                record_next="record without a break, or keep all files of the ring",
            )
        )
    words = {
        IssueKind.FILTERED: ("What did the capture filter leave out?", "record without a filter"),
        IssueKind.DROPPED: (
            "What was in the lost packets?",
            "record on a faster machine or with a larger buffer",
        ),
        IssueKind.CUT_SHORT: (
            "What came after the end of the file?",
            "stop the recorder before copying its file",
        ),
        IssueKind.DAMAGED: ("What stood in the damaged part?", "record again"),
    }
    for facts in captures:
        for issue in facts.issues:
            if issue.kind in words:
                question, advice = words[issue.kind]
                reason = f"{facts.name}: {issue.detail}"
                asked.append(CouldNotSee(question=question, reason=reason, record_next=advice))
    return asked


def _by_bypass(
    captures: Sequence[CaptureFacts], bypassed: Mapping[int, CaptureIssue]
) -> Iterable[CouldNotSee]:
    for index, issue in sorted(bypassed.items()):
        yield CouldNotSee(
            question="How much was sent and received, and what was in it?",
            reason=f"{captures[index].name}: {issue.detail}",
            record_next=(
                "switch the router's acceleration of forwarding off while you record, "
                "or record at a mirror port of a switch"
            ),
        )


def _overflow(table: str, count: int) -> CouldNotSee:
    return CouldNotSee(
        question=f"What else was there of {table}?",
        reason=f"a table of ours was full; {count} further entries were counted and not kept",
        record_next="audit a shorter part of the recording",
    )


def bypassing(flows: Iterable[Flow]) -> dict[int, CaptureIssue]:
    """By capture: established traffic that went round the recorder; acknowledgement numbers jump."""
    found: dict[int, tuple[int, int]] = {}
    for flow in flows:
        missing = went_round(flow)
        if missing:
            index = flow.first_packet.capture_index
            count, octets = found.get(index, (0, 0))
            found[index] = (count + 1, octets + missing)
    return {
        index: CaptureIssue(
            kind=IssueKind.BYPASSED,
            count=count,
            detail=(
                f"established traffic of {count} connection{'' if count == 1 else 's'} bypassed "
                f"the recorder: at least {octets} octets were acknowledged that are not in the file; "
                "byte counts are minimum values"
            ),
        )
        for index, (count, octets) in found.items()
    }


def summarise_captures(
    captures: Sequence[CaptureFacts],
    judged: Sequence[Judged],
    flows: Sequence[Flow],
    holes: Sequence[tuple[int, int]],
    bypassed: Mapping[int, CaptureIssue],
) -> tuple[CaptureSummary, ...]:
    """Each capture with what the packets show besides what the file says."""
    copies: dict[int, int] = {}
    for flow in flows:
        if flow.duplicates:
            index = flow.first_packet.capture_index
            copies[index] = copies.get(index, 0) + flow.duplicates
    summaries: list[CaptureSummary] = []
    for index, (facts, one) in enumerate(zip(captures, judged, strict=True)):
        issues = list(facts.issues)
        if index in copies:
            detail = f"{copies[index]} packets were recorded more than once and counted once"
            issues.append(CaptureIssue(kind=IssueKind.DUPLICATES, count=copies[index], detail=detail))
        if index in bypassed:
            issues.append(bypassed[index])
        first, last = facts.first_ns, facts.last_ns
        # A hole between two files is told of the later one.
        inside = [h for h in holes if first is not None and last is not None and first <= h[1] <= last]
        if inside and not any(issue.kind is IssueKind.HOLE for issue in issues):
            seconds = sum(end - start for start, end in inside) / NS_PER_SECOND
            since = format_time(inside[0][0])
            detail = (
                f"nothing was recorded for {seconds:.0f} s in {len(inside)} spans, the first from {since}"
            )
            issues.append(CaptureIssue(kind=IssueKind.HOLE, count=len(inside), detail=detail))
        summaries.append(CaptureSummary(facts=facts, vantage=one.vantage, issues=tuple(issues)))
    return tuple(summaries)
