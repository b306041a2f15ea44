"""
Make a copy of a recording that holds the chosen devices, their conversations, and no secrets.

An audit tells what must be kept, one reading of the messages what must go, a
second reading writes, and an audit of the copy tells whether it still shows the
same findings.  Memory is bounded by the ``MAX_`` of these steps.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from auditor import pipeline
from auditor.addresses import Address, format_address, parse_address
from auditor.capture.merge import open_captures
from auditor.capture.record import CaptureFacts
from auditor.capture.writer import PacketRecord, PcapngWriter
from auditor.errors import JudgementError, OutputError, UsageError
from auditor.home.loader import load_home
from auditor.home.model import Home
from auditor.inputs import STANDARD_INPUT, PathLike, find_sources, part_readable
from auditor.packets.decode import decode_batch
from auditor.redaction.documents import Document
from auditor.redaction.pseudonym import derive_key
from auditor.reduction.addresses import AddressPseudonyms, kept_links
from auditor.reduction.copy import Copier
from auditor.reduction.frame import FrameRewriter
from auditor.reduction.home import action_marks, home_beside, refuse_foreign, write_home
from auditor.reduction.match import Reduction, match_findings
from auditor.reduction.overwrite import Overwriter
from auditor.reduction.survey import Survey
from auditor.ruleset.evaluate import evaluate
from auditor.ruleset.loader import load_rules
from auditor.run import Progress, read_run, shown_document


def reduce(
    paths: PathLike | Sequence[PathLike],
    output: PathLike,
    *,
    devices: Sequence[str] = (),
    home: PathLike | None = None,
    strict: bool = False,
    progress: Progress | None = None,
) -> Reduction:
    """
    Write the copy and, beside it, its home file; each is complete or not there.

    Errors as for ``audit``; ``UsageError`` for standard input, which cannot be
    read twice; ``JudgementError`` where no chosen device is in the recording;
    ``OutputError`` where the copy cannot be written.
    """
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    if STANDARD_INPUT in given:
        raise UsageError("CAPTURE", "standard input cannot be read twice; expected a file")
    target = Path(os.path.realpath(output))
    refuse_foreign(home_beside(target))
    typed_home = Home() if home is None else load_home(Path(home))
    run = read_run(given, devices=devices, home=typed_home, strict=strict, progress=progress)
    judgement = evaluate(run.inventory, load_rules([]), typed_home)
    before, _ = shown_document(run, judgement, typed_home, reveal=True)
    names = [row["name"] for row in shown_document(run, judgement, typed_home, reveal=False)[0]["captures"]]
    survey = Survey()
    survey.read_document(before)
    if not survey.links and not survey.addresses:
        raise JudgementError("no chosen device is in this recording; nothing was written")
    survey.read_messages(pipeline.read_messages(given, strict=strict))
    survey.leave_out_the_rest(run.flows)
    digests = [row["sha256"] for row in before["captures"]]
    key = derive_key(typed_home.pseudonym_key, digests)
    mark = f".{target.name[:100]}.{os.urandom(4).hex()}"
    temporary, temporary_home = target.with_name(f"{mark}.part"), target.with_name(f"{mark}.home.part")
    chosen = _chosen_devices(before)
    try:
        copier, overwriter, pseudonyms = _write(given, temporary, survey, key)
        write_home(temporary_home, before, typed_home, pseudonyms, copier.marks_left.values())
        after = pipeline.audit(
            temporary, devices=chosen, home=load_home(temporary_home), reveal=True, strict=strict
        ).document
        temporary_home.replace(home_beside(target))
        temporary.replace(target)
    except OSError as error:
        problem = f"{output}: {error.strerror or error}; what stood there before still stands"
        raise OutputError(problem) from error
    finally:
        temporary.unlink(missing_ok=True)
        temporary_home.unlink(missing_ok=True)
    return match_findings(before, after, copier.copied, overwriter.count, chosen, names)


def _chosen_devices(document: Document) -> tuple[str, ...]:
    """One word for each chosen device, by which an audit of the copy chooses it again."""
    rows = (row for row in document["devices"] if row["is_chosen"])
    return tuple(next(iter((*row["link_addresses"], *row["addresses"], row["device_id"]))) for row in rows)


def _write(
    given: Sequence[PathLike], path: Path, survey: Survey, key: bytes
) -> tuple[Copier, Overwriter, AddressPseudonyms]:
    sources, _ = part_readable(find_sources(given))
    with open_captures(sources) as captures:  # interfaces are known at a file's end, and are written first
        for _ in captures:
            pass
        facts = captures.facts
    firsts = [sum(len(one.interfaces) for one in facts[:place]) for place in range(len(facts))]
    pseudonyms = AddressPseudonyms(
        key, addresses=sorted(survey.addresses), links=kept_links(survey.links, survey.addresses)
    )
    overwriter = Overwriter(
        key, values=survey.values, replaced=_replaced(survey, pseudonyms), spared=survey.spared
    )
    survey.is_full |= overwriter.is_full
    copier = Copier(survey, FrameRewriter(pseudonyms, overwriter), firsts, action_marks(facts))
    with path.open("xb") as file:
        writer = PcapngWriter(file, [_interface(one) for fact in facts for one in fact.interfaces])
        last_ns = 0
        with open_captures(sources) as captures:
            for chunk in captures:
                for record in copier.records(decode_batch(chunk)):
                    writer.write_packet(_within_bounds(record))
                    last_ns = record.timestamp_ns
        _write_statistics(writer, facts, last_ns)
        file.flush()
        os.fsync(file.fileno())
    return copier, overwriter, pseudonyms


def _interface(facts: Any) -> Any:
    """Names, descriptions and filters may name people; what was lost counts on."""
    return replace(
        facts, name=None, description=None, capture_filter=None, hardware=None, operating_system=None
    )


def _within_bounds(record: PacketRecord) -> PacketRecord:
    return record if record.timestamp_ns >= 0 else replace(record, timestamp_ns=0)


def _write_statistics(writer: PcapngWriter, facts: Sequence[CaptureFacts], last_ns: int) -> None:
    number = 0
    for fact in facts:
        for one in fact.interfaces:
            if one.received is not None:
                writer.write_statistics(number, last_ns, received=one.received, dropped=one.dropped or 0)
            number += 1


def _replaced(survey: Survey, pseudonyms: AddressPseudonyms) -> dict[bytes, bytes]:
    """Addresses of others as they may stand inside payload: as octets, and as text of the same length."""
    replaced: dict[bytes, bytes] = {}
    for link in survey.other_links:
        new = pseudonyms.link(link)
        replaced[bytes(link)] = bytes(new)
        for mark in (":", "-", ""):
            old_text, new_text = (bytes(one).hex(mark) if mark else bytes(one).hex() for one in (link, new))
            replaced[old_text.encode()] = new_text.encode()
            replaced[old_text.upper().encode()] = new_text.upper().encode()
    for address in survey.other_addresses:
        replaced |= _address_forms(address, pseudonyms.address(address))
    return replaced


def _address_forms(old: Address, new: Address) -> dict[bytes, bytes]:
    if old == new:
        return {}
    old_text, new_text = format_address(old), format_address(new)
    if len(old_text) != len(new_text):
        new_text = _of_length(old_text)
    octets = (bytes(old[12:]), bytes(new[12:])) if "." in old_text else (bytes(old), bytes(new))
    return {octets[0]: octets[1], old_text.encode(): new_text.encode()}


def _of_length(text: str) -> str:
    """An address of the same length that is nobody's: zeros (dotted quads: RFC 791 3.2, this host)."""
    shown = "".join("0" if character in "0123456789abcdef" else character for character in text)
    return str(parse_address(text)) if shown == text else shown
