"""
The one place that joins the stages, and the library face (house section 8).

Paths may be files, folders of ring files, or ``-`` for standard input.
Everything here streams: memory is bounded by the ``MAX_`` of the stages, never
by the length of the recording.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from auditor.capture.merge import open_captures
from auditor.comparison.compare import change_facts, compare_recordings
from auditor.comparison.match import carry_names, match_devices
from auditor.comparison.model import Refusal
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope, Issue
from auditor.errors import JudgementError
from auditor.flows.duplicates import DuplicateFilter
from auditor.flows.table import FlowTable
from auditor.garbage import rare_collections
from auditor.home.model import Home
from auditor.inputs import STANDARD_INPUT, PathLike, find_sources
from auditor.inventory.choose import check_chosen
from auditor.isolation.files import render_files
from auditor.isolation.plan import Router, propose, recommend
from auditor.packets.batch import PacketBatch
from auditor.packets.decode import decode_batch
from auditor.redaction.documents import ShownDocument
from auditor.report.brief import tell_brief
from auditor.report.comparison import build_comparison, tell_comparison
from auditor.report.document import EMPTY_JUDGEMENT
from auditor.report.plan import build_plan, build_plan_summary, tell_plan
from auditor.report.result import AuditReport as AuditReport
from auditor.report.result import CompareReport as CompareReport
from auditor.report.result import PlanReport as PlanReport
from auditor.report.story import tell_audit, tell_check
from auditor.ruleset.evaluate import evaluate
from auditor.ruleset.finding import Judgement
from auditor.ruleset.loader import load_rules
from auditor.ruleset.model import RuleSet
from auditor.run import Progress, Run, read_run, report_run, shown_document, typed_home


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
    given_home = typed_home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with rare_collections():
        return _audit(paths, devices, given_home, rule_set, reveal=reveal, strict=strict, progress=progress)


def _audit(
    paths: PathLike | Sequence[PathLike],
    devices: Sequence[str],
    given_home: Home,
    rule_set: RuleSet,
    *,
    reveal: bool,
    strict: bool,
    progress: Progress | None,
) -> AuditReport:
    run = read_run(paths, devices=devices, home=given_home, strict=strict, progress=progress)
    judgement = evaluate(run.inventory, rule_set, given_home)
    try:
        best = recommend(run.inventory, judgement, given_home, run.flows, packet_flows=run.packet_flows)
        summary = build_plan_summary(best)
    except JudgementError:  # where nothing can be judged the report says so by itself
        summary = None
    titles = {rule.rule_id: rule.title for rule in rule_set.rules}
    tell = partial(tell_audit, titles=titles)
    report = report_run(run, judgement, given_home, reveal=reveal, tell=tell, plan=summary)
    brief = tell_brief(report.document, titles)

    def complete() -> ShownDocument:
        return _complete(run, judgement, given_home, reveal=reveal)

    # Two lines of the plan are told; the JSON of an audit leaves it to the command that asks for it.
    return replace(report, document=report.document.without_plan(), complete=complete, brief=brief)


def _complete(run: Run, judgement: Judgement, home: Home, *, reveal: bool) -> ShownDocument:
    """With what only the long report shows: all of the plan, and times for the pictures."""
    with rare_collections():
        try:
            proposal = propose(run.inventory, judgement, home, run.flows, packet_flows=run.packet_flows)
        except JudgementError:
            proposal = None
        plan = None if proposal is None else build_plan(proposal)
        shown, _ = shown_document(run, judgement, home, reveal=reveal, plan=plan, moments=True)
    return shown


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
    given_home = typed_home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with rare_collections():
        run = read_run(paths, devices=devices, home=given_home, strict=strict, progress=progress)
        judgement = evaluate(run.inventory, rule_set, given_home)
        proposal, refusal = None, None
        try:
            proposal = propose(
                run.inventory,
                judgement,
                given_home,
                run.flows,
                router=router,
                packet_flows=run.packet_flows,
            )
        except JudgementError as error:
            refusal = Refusal(reason=str(error))
    report = report_run(
        run,
        judgement,
        given_home,
        reveal=reveal,
        tell=tell_plan,
        plan=None if proposal is None else build_plan(proposal),
        refusal=refusal,
    )
    files: dict[str, str] = {}
    if proposal is not None:
        files["steps.md"] = report.to_markdown()
        files |= render_files(proposal)
    return PlanReport(
        document=report.document,
        outline=report.outline,
        not_judged=report.not_judged,
        form="plan",
        files=files,
    )


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
    given_home = typed_home(home)
    rule_set = load_rules([Path(folder) for folder in rules])
    with rare_collections():
        first = read_run(before, devices=devices, home=given_home, strict=strict, progress=progress)
        lights = tuple(device.device_id for device in first.inventory.devices if device.is_chosen)
        second = read_run(after, devices=devices or lights, home=given_home, strict=strict, progress=progress)
        matched = match_devices(first.inventory, second.inventory)
        wanted = tuple(new for new, old in matched.items() if old in lights)
        chosen = {device.device_id for device in second.inventory.devices if device.is_chosen}
        if (
            set(wanted) - chosen and after != STANDARD_INPUT
        ):  # told by its name alone: it has another id there
            second = read_run(after, devices=wanted, home=given_home, strict=strict, progress=progress)
            matched = match_devices(first.inventory, second.inventory)
        inventory = carry_names(first.inventory, second.inventory, matched)
        if not devices and any(device.is_chosen for device in inventory.devices):
            inventory = replace(inventory, not_in_recording=())  # told beside the rows, one by one
        comparison = compare_recordings(first.inventory, first.flows, inventory, second.flows, given_home)
        facts = {**inventory.facts, "conversation-change": change_facts(comparison, inventory)}
        inventory = replace(inventory, facts=facts)
        judgement = evaluate(inventory, rule_set, given_home)
    refusal = comparison.refusal
    try:
        check_chosen(first.inventory)
    except JudgementError as error:
        refusal = Refusal(reason=f"first recording: {error}")
    gone = tuple(
        device for device in first.inventory.devices if device.device_id not in set(matched.values())
    )
    report = report_run(
        replace(second, inventory=inventory, unreadable=(*first.unreadable, *second.unreadable)),
        judgement,
        given_home,
        reveal=reveal,
        tell=tell_comparison,
        refusal=refusal,
        comparison=build_comparison(comparison, first.inventory, inventory),
        also_private=gone,
    )
    return CompareReport(
        document=report.document, outline=report.outline, not_judged=report.not_judged, form="compare"
    )


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
    given_home = typed_home(home)
    run = read_run(paths, devices=devices, home=given_home, strict=strict, progress=progress)
    report = report_run(run, EMPTY_JUDGEMENT, given_home, reveal=reveal, tell=tell_check)
    return replace(report, form="check")


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
