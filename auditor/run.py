"""
One run: recordings in, facts and a redacted document out.

Everything here streams: memory is bounded by the ``MAX_`` of the stages, never
by the length of the recording.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from auditor.capture.merge import CaptureSet, open_captures
from auditor.capture.record import CaptureIssue
from auditor.comparison.model import Refusal
from auditor.dissect.dispatch import Dispatcher
from auditor.errors import CaptureError, JudgementError
from auditor.flows.duplicates import DuplicateFilter
from auditor.flows.flow import FlowKey, PacketReference
from auditor.flows.table import FlowTable
from auditor.home.loader import load_home
from auditor.home.model import Home
from auditor.inputs import PathLike, count_octets, find_sources, part_readable
from auditor.inventory.build import InventoryBuilder
from auditor.inventory.choose import check_chosen
from auditor.inventory.model import Device, Inventory
from auditor.packets.decode import decode_batch
from auditor.redaction.documents import ShownDocument
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.document import NOTHING_JUDGED, build_document
from auditor.report.evidence import HeaderKeeper, PacketFlows, PacketHeader
from auditor.report.moments import build_moments
from auditor.report.not_judged import not_judged_entry, unreadable_entry
from auditor.report.outline import Outline
from auditor.report.result import AuditReport
from auditor.ruleset.finding import Judgement
from auditor.value_class import value_class
from auditor.version import VERSION

Progress = Callable[[int, int | None], None]
"""Called with octets read so far and octets in all, None where that is unknown."""


@value_class
class Run:
    """What was read of recordings, and what of them could not be."""

    inventory: Inventory
    unreadable: tuple[CaptureError, ...]
    headers: Mapping[PacketReference, PacketHeader]
    input_issues: tuple[CaptureIssue, ...]
    asked_for: tuple[str, ...]
    flows: FlowTable

    @property
    def packet_flows(self) -> PacketFlows:
        """The flow of each packet that evidence may name."""
        return PacketFlows(self.headers)


def read_run(
    paths: PathLike | Sequence[PathLike],
    *,
    devices: Sequence[str],
    home: Home,
    strict: bool,
    progress: Progress | None,
) -> Run:
    """Read recordings once, from their octets to facts; errors as for ``pipeline.audit``."""
    sources, unreadable = part_readable(find_sources(paths))
    flows = FlowTable()
    builder = InventoryBuilder(home=home, chosen=tuple(devices))
    keeper = HeaderKeeper()
    with open_captures(sources) as captures:
        unclaimed, contradicting = _read_all(
            captures,
            flows,
            builder,
            keeper,
            Dispatcher(strict=strict),
            progress,
            count_octets(sources),
        )
    facts, issues = captures.facts, captures.issues
    del captures
    flows.settle()
    inventory = builder.build(flows, facts, unclaimed=unclaimed, contradicting=contradicting)
    return Run(
        inventory=inventory,
        unreadable=unreadable,
        headers=keeper.headers(),
        input_issues=issues,
        asked_for=tuple(devices),
        flows=flows,
    )


def _read_all(
    captures: CaptureSet,
    flows: FlowTable,
    builder: InventoryBuilder,
    keeper: HeaderKeeper,
    dispatcher: Dispatcher,
    progress: Progress | None,
    total: int | None,
) -> tuple[dict[FlowKey, int], tuple[FlowKey, ...]]:
    """
    Hand every packet to all who want it; returns how much of which flow no dissector knew, and
    ``Dispatcher.contradicting``.

    A function of its own, so that windows, columns and open conversations are
    gone when facts are related, which needs the room.
    """
    duplicates = DuplicateFilter()
    observe = builder.observe
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
    return dispatcher.unclaimed, dispatcher.contradicting


def report_run(
    run: Run,
    judgement: Judgement,
    home: Home,
    *,
    reveal: bool,
    tell: Callable[[ShownDocument], Outline],
    plan: dict[str, Any] | None = None,
    refusal: Refusal | None = None,
    comparison: dict[str, Any] | None = None,
    also_private: tuple[Device, ...] = (),
) -> AuditReport:
    """The report of a run; arguments as for ``shown_document``."""
    shown, not_judged = shown_document(
        run,
        judgement,
        home,
        reveal=reveal,
        plan=plan,
        refusal=refusal,
        comparison=comparison,
        also_private=also_private,
    )
    return AuditReport(document=shown, outline=tell(shown), not_judged=not_judged)


def shown_document(
    run: Run,
    judgement: Judgement,
    home: Home,
    *,
    reveal: bool,
    plan: dict[str, Any] | None = None,
    refusal: Refusal | None = None,
    comparison: dict[str, Any] | None = None,
    also_private: tuple[Device, ...] = (),
    moments: bool = False,
) -> tuple[ShownDocument, str | None]:
    """
    The redacted document, and why nothing could be judged.

    ``also_private``: devices of another recording, whose names must not show
    either; ``moments``: with the times that the pictures need.
    """
    inventory = run.inventory
    own = [unreadable_entry(error) for error in run.unreadable]
    not_judged = "; ".join(str(error) for error in run.unreadable) or None
    if refusal is None:
        try:
            check_chosen(inventory)
        except JudgementError as error:
            refusal = Refusal(reason=str(error))
    if refusal is not None:
        own.insert(0, not_judged_entry(inventory, refusal))
    document = build_document(
        inventory,
        judgement,
        tool_version=VERSION,
        could_not_see=own,
        headers=run.headers,
        input_issues=run.input_issues,
        plan=plan,
        comparison=comparison,
        moments=build_moments(inventory, run.flows, home) if moments else None,
    )
    digests = [summary.facts.sha256 for summary in inventory.captures]
    key = derive_key(home.pseudonym_key, digests)
    known = replace(inventory, devices=(*inventory.devices, *also_private)) if also_private else inventory
    shown = redact(document, known, key=key, reveal=reveal, asked_for=run.asked_for)
    for entry in shown["coverage"]["could_not_see"]:
        if entry["question"] == NOTHING_JUDGED:  # the redacted wording: it may name what was asked for
            not_judged = entry["reason"] if not_judged is None else f"{entry['reason']}; {not_judged}"
    return shown, not_judged


def typed_home(home: Home | PathLike | None) -> Home:
    """A home, its file read, or an empty one."""
    if home is None:
        return Home()
    return home if isinstance(home, Home) else load_home(Path(home))
