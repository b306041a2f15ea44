"""
The one place that joins the stages, and the library face (house section 8).

Paths may be files, folders of ring files, or ``-`` for standard input.
Everything here streams: memory is bounded by the ``MAX_`` of the stages, never
by the length of the recording.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from auditor import __version__
from auditor.capture.merge import open_captures
from auditor.capture.record import CaptureIssue
from auditor.comparison.compare import change_facts, compare_recordings
from auditor.comparison.match import carry_names, match_devices
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope, Issue
from auditor.errors import CaptureError, JudgementError
from auditor.flows.duplicates import DuplicateFilter
from auditor.flows.flow import PacketReference
from auditor.flows.table import FlowTable
from auditor.home.loader import load_home
from auditor.home.model import Home
from auditor.inputs import STANDARD_INPUT, PathLike, count_octets, find_sources, part_readable
from auditor.inventory.build import InventoryBuilder
from auditor.inventory.choose import check_chosen
from auditor.inventory.model import CouldNotSee, Device, Inventory
from auditor.isolation.files import render_files
from auditor.isolation.plan import Proposal, Router, propose
from auditor.packets.batch import PacketBatch
from auditor.packets.decode import decode_batch
from auditor.redaction.documents import ShownDocument
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.comparison import build_comparison, tell_comparison
from auditor.report.document import EMPTY_JUDGEMENT, NOTHING_JUDGED, build_document
from auditor.report.evidence import HeaderKeeper, PacketHeader
from auditor.report.outline import Outline
from auditor.report.plan import build_plan, tell_plan
from auditor.report.result import AuditReport as AuditReport
from auditor.report.result import CompareReport as CompareReport
from auditor.report.result import PlanReport as PlanReport
from auditor.report.story import tell_audit, tell_check
from auditor.ruleset.evaluate import evaluate
from auditor.ruleset.finding import Judgement
from auditor.ruleset.loader import load_rules
from auditor.ruleset.model import RuleSet

COLLECTION_OBJECTS = 100_000
"""Objects more than there were, before cycles are looked for: at some hundred octets each 10 MB."""

Progress = Callable[[int, int | None], None]
"""Called with octets read so far and octets in all, None where that is unknown."""


def audit(
    paths: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str] = (),
    home: Home | PathLike | None = None,
    rules: Sequence[PathLike] = (),
    reveal: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> AuditReport:
    """
    Judge recordings by all rules.

    ``devices``: link addresses, addresses or nicknames; empty: every lighting
    device found.  ``rules``: folders of rules beside the bundled ones.  Raises
    ``SettingsError`` for a home or rule file that cannot be used and
    ``CaptureError`` where nothing could be read; a recording that is readable
    but cannot be judged gives a report with ``not_judged``.
    """
    typed_home = _home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with _rare_collections():
        return _audit(paths, devices, typed_home, rule_set, reveal=reveal, strict=strict, progress=progress)


def _audit(
    paths: PathLike | Sequence[PathLike],
    devices: Sequence[str],
    typed_home: Home,
    rule_set: RuleSet,
    *,
    reveal: bool,
    strict: bool,
    progress: Progress | None,
) -> AuditReport:
    run = _read(paths, devices=devices, home=typed_home, strict=strict, progress=progress)
    judgement = evaluate(run.inventory, rule_set, typed_home)
    try:
        proposal = _propose(run, judgement, typed_home, None)
    except JudgementError:  # where nothing can be judged the report says so by itself
        proposal = None
    report = _report(run, judgement, typed_home, reveal=reveal, tell=tell_audit, proposal=proposal)
    return replace(report, document=report.document.without_plan())  # two lines of it are told, no more


def plan(
    paths: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str] = (),
    home: Home | PathLike | None = None,
    rules: Sequence[PathLike] = (),
    router: Router | None = None,
    reveal: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> PlanReport:
    """
    Propose how to fence the lights off, and try it on the recording.

    ``router`` is what the router can do; without it what the home file says.
    Errors as for ``audit``; a recording of the wrong place gives a report with
    ``not_judged`` and no plan.
    """
    typed_home = _home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with _rare_collections():
        run = _read(paths, devices=devices, home=typed_home, strict=strict, progress=progress)
        judgement = evaluate(run.inventory, rule_set, typed_home)
        proposal, refusal = None, None
        try:
            proposal = _propose(run, judgement, typed_home, router)
        except JudgementError as error:
            refusal = str(error)
    report = _report(
        run, judgement, typed_home, reveal=reveal, tell=tell_plan, proposal=proposal, refusal=refusal
    )
    files: dict[str, str] = {}
    if proposal is not None:
        files["steps.md"] = report.to_markdown()
        files |= render_files(proposal)
    return PlanReport(
        document=report.document, outline=report.outline, not_judged=report.not_judged, files=files
    )


def _propose(run: _Run, judgement: Judgement, home: Home, router: Router | None) -> Proposal:
    packet_flows = {packet: header.flow for packet, header in run.headers.items()}
    return propose(run.inventory, judgement, home, run.flows, router=router, packet_flows=packet_flows)


def compare(
    before: PathLike | Sequence[PathLike],
    after: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str] = (),
    home: Home | PathLike | None = None,
    rules: Sequence[PathLike] = (),
    reveal: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> CompareReport:
    """
    Tell what a change of the network stopped, what still works and what nobody tried.

    The document is that of the second recording, with ``comparison``.  Without
    ``devices`` it is about the lighting devices of the first.  Errors as for
    ``audit``; files in the wrong order, of different homes, or without any
    attempt in the second give a report with ``not_judged``.
    """
    typed_home = _home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with _rare_collections():
        first = _read(before, devices=devices, home=typed_home, strict=strict, progress=progress)
        lights = tuple(device.device_id for device in first.inventory.devices if device.is_chosen)
        second = _read(after, devices=devices or lights, home=typed_home, strict=strict, progress=progress)
        matched = match_devices(first.inventory, second.inventory)
        wanted = tuple(new for new, old in matched.items() if old in lights)
        chosen = {device.device_id for device in second.inventory.devices if device.is_chosen}
        if (
            set(wanted) - chosen and after != STANDARD_INPUT
        ):  # told by its name alone: it has another id there
            second = _read(after, devices=wanted, home=typed_home, strict=strict, progress=progress)
            matched = match_devices(first.inventory, second.inventory)
        inventory = carry_names(first.inventory, second.inventory, matched)
        if not devices and any(device.is_chosen for device in inventory.devices):
            inventory = replace(inventory, not_in_recording=())  # told beside the rows, one by one
        comparison = compare_recordings(first.inventory, first.flows, inventory, second.flows, typed_home)
        facts = {**inventory.facts, "conversation-change": change_facts(comparison, inventory)}
        inventory = replace(inventory, facts=facts)
        judgement = evaluate(inventory, rule_set, typed_home)
    refusal = comparison.refusal
    try:
        check_chosen(first.inventory)
    except JudgementError as error:
        refusal = f"first recording: {error}"
    gone = tuple(
        device for device in first.inventory.devices if device.device_id not in set(matched.values())
    )
    report = _report(
        replace(second, inventory=inventory, unreadable=(*first.unreadable, *second.unreadable)),
        judgement,
        typed_home,
        reveal=reveal,
        tell=tell_comparison,
        refusal=refusal,
        comparison=build_comparison(comparison, first.inventory, inventory),
        also_private=gone,
    )
    return CompareReport(document=report.document, outline=report.outline, not_judged=report.not_judged)


def check(
    paths: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str] = (),
    home: Home | PathLike | None = None,
    reveal: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> AuditReport:
    """Tell what recordings can and cannot show, without running a rule; errors as for ``audit``."""
    typed_home = _home(home)
    run = _read(paths, devices=devices, home=typed_home, strict=strict, progress=progress)
    return _report(run, EMPTY_JUDGEMENT, typed_home, reveal=reveal, tell=tell_check)


def open_capture(path: PathLike | Sequence[PathLike]) -> Iterator[PacketBatch]:
    """
    Iterate the header columns of a recording, a batch at a time.

    A batch's buffer is used again for the next one; copy what must last.
    """
    with open_captures(find_sources(path)) as captures:
        for chunk in captures:
            yield decode_batch(chunk)


def read_flows(path: PathLike | Sequence[PathLike]) -> FlowTable:
    """All flows of a recording, duplicates counted once; octets are of whole frames, original length."""
    flows = FlowTable()
    duplicates = DuplicateFilter()
    for batch in open_capture(path):
        flows.add(batch, duplicates.mark(batch))
    return flows


def read_messages(path: PathLike | Sequence[PathLike], *, strict: bool = False) -> Iterator[Envelope | Issue]:
    """Every application message that is read here, and an issue for each that could not be."""
    dispatcher = Dispatcher(strict=strict)
    duplicates = DuplicateFilter()
    for batch in open_capture(path):
        yield from dispatcher.feed(batch, duplicates.mark(batch))
    yield from dispatcher.finish()


@contextmanager
def _rare_collections() -> Iterator[None]:
    """
    Let the collector of reference cycles run seldom.

    What a run makes lives until its end and holds no cycles but those of
    exceptions that were caught; looking through all of it each 700 objects took
    a quarter of the time.  The interpreter's own setting comes back afterwards.
    """
    before = gc.get_threshold()
    if not before[0]:  # the caller has put it out
        yield
        return
    gc.set_threshold(max(before[0], COLLECTION_OBJECTS), *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    inventory: Inventory
    unreadable: tuple[CaptureError, ...]
    headers: Mapping[PacketReference, PacketHeader]
    input_issues: tuple[CaptureIssue, ...]
    asked_for: tuple[str, ...]
    flows: FlowTable


def _read(
    paths: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str],
    home: Home,
    strict: bool,
    progress: Progress | None,
) -> _Run:
    sources, unreadable = part_readable(find_sources(paths))
    total = count_octets(sources)
    flows = FlowTable()
    duplicates = DuplicateFilter()
    dispatcher = Dispatcher(strict=strict)
    builder = InventoryBuilder(home=home, chosen=tuple(devices))
    observe = builder.observe
    keeper = HeaderKeeper()
    with open_captures(sources) as captures:
        for chunk in captures:
            batch = decode_batch(chunk)
            is_duplicate = duplicates.mark(batch)
            flows.add(batch, is_duplicate)
            builder.observe_batch(batch)
            items = dispatcher.feed(batch, is_duplicate)
            keeper.keep(items)
            for item in items:
                observe(item)
            if progress is not None:
                progress(captures.octets_read, total)
        items = dispatcher.finish()
        keeper.keep(items)
        for item in items:
            observe(item)
        inventory = builder.build(flows, captures.facts, unclaimed=dispatcher.unclaimed)
    return _Run(
        inventory=inventory,
        unreadable=unreadable,
        headers=keeper.headers,
        input_issues=captures.issues,
        asked_for=tuple(devices),
        flows=flows,
    )


def _report(
    run: _Run,
    judgement: Judgement,
    home: Home,
    *,
    reveal: bool,
    tell: Callable[[ShownDocument], Outline],
    proposal: Proposal | None = None,
    refusal: str | None = None,
    comparison: dict[str, Any] | None = None,
    also_private: tuple[Device, ...] = (),
) -> AuditReport:
    """``also_private``: devices of another recording whose names must not show either."""
    inventory = run.inventory
    own = [_unreadable_entry(error) for error in run.unreadable]
    not_judged = "; ".join(str(error) for error in run.unreadable) or None
    if refusal is None:
        try:
            check_chosen(inventory)
        except JudgementError as error:
            refusal = str(error)
    if refusal is not None:
        own.insert(0, _not_judged_entry(inventory, refusal))
    document = build_document(
        inventory,
        judgement,
        tool_version=__version__,
        could_not_see=own,
        headers=run.headers,
        input_issues=run.input_issues,
        plan=None if proposal is None else build_plan(proposal),
        comparison=comparison,
    )
    digests = [summary.facts.sha256 for summary in inventory.captures]
    key = derive_key(home.pseudonym_key, digests)
    known = replace(inventory, devices=(*inventory.devices, *also_private)) if also_private else inventory
    shown = redact(document, known, key=key, reveal=reveal, asked_for=run.asked_for)
    for entry in shown["coverage"]["could_not_see"]:
        if entry["question"] == NOTHING_JUDGED:  # the redacted wording: it may name what was asked for
            not_judged = entry["reason"] if not_judged is None else f"{entry['reason']}; {not_judged}"
    return AuditReport(document=shown, outline=tell(shown), not_judged=not_judged)


def _not_judged_entry(inventory: Inventory, reason: str) -> CouldNotSee:
    unicast = inventory.coverage.missing.get("unicast-with-device")
    record_next = (
        unicast.record_next
        if unicast is not None
        else "record where the device's traffic passes, while it joins the network and is used"
    )
    reason = reason.removesuffix(f"; {record_next}")  # said in the field beside it
    return CouldNotSee(question=NOTHING_JUDGED, reason=reason, record_next=record_next)


def _unreadable_entry(error: CaptureError) -> CouldNotSee:
    name = Path(error.name).name or error.name
    return CouldNotSee(
        question=f"What is in {name}?",
        reason=f"it could not be read: {error.problem}",
        record_next="record again, or copy the file again from where it was recorded",
    )


def _home(home: Home | PathLike | None) -> Home:
    if home is None:
        return Home()
    return home if isinstance(home, Home) else load_home(Path(home))
