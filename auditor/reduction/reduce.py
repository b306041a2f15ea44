"""
Make a copy of a recording that holds the chosen devices, their conversations, and no secrets.

An audit tells what must be kept, one reading of the messages what must go, a
second reading writes, and an audit of the copy tells whether it still shows the
same findings.  Memory is bounded by the ``MAX_`` of these steps.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from auditor import pipeline
from auditor.addresses import Address, format_address, format_link, parse_address
from auditor.capture.merge import open_captures
from auditor.capture.record import CaptureFacts
from auditor.capture.writer import PacketRecord, PcapngWriter
from auditor.errors import JudgementError, OutputError, UsageError
from auditor.home.loader import load_home
from auditor.inputs import STANDARD_INPUT, PathLike, find_sources, part_readable
from auditor.packets.decode import decode_batch
from auditor.redaction.documents import Document
from auditor.redaction.pseudonym import derive_key
from auditor.reduction.addresses import AddressPseudonyms, kept_links
from auditor.reduction.copy import Copied, Copier
from auditor.reduction.frame import FrameRewriter
from auditor.reduction.overwrite import Overwriter
from auditor.reduction.survey import Survey
from auditor.run import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """What was written, and what it still shows."""

    copied: Copied
    overwritten: int
    """Packets in which octets were overwritten."""
    packet_map: tuple[tuple[str, int, int], ...]
    """Of packets that findings name: capture, number there, number in the copy."""
    same: int
    """Findings about the chosen devices that the copy shows under the same identifier."""
    missing: tuple[str, ...]
    """Rule and identifier of findings about the chosen devices that the copy does not show."""
    renamed: tuple[tuple[str, str, str], ...]
    """Rule, identifier before, identifier in the copy: they name a peer, a pseudonym there."""
    added: tuple[str, ...]
    others: tuple[str, ...]
    """Rules of findings about other devices or the network, whose identifiers follow the pseudonyms."""


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
    Write the copy, complete or not at all.

    Errors as for ``audit``; ``UsageError`` for standard input, which cannot be
    read twice; ``JudgementError`` where no chosen device is in the recording;
    ``OutputError`` where the copy cannot be written.
    """
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    if STANDARD_INPUT in given:
        raise UsageError("CAPTURE", "standard input cannot be read twice; expected a file")
    typed_home = None if home is None else load_home(Path(home))
    before = pipeline.audit(
        given, devices=devices, home=typed_home, reveal=True, strict=strict, progress=progress
    ).document
    survey = Survey()
    survey.read_document(before)
    if not survey.links and not survey.addresses:
        raise JudgementError("no chosen device is in this recording; nothing was written")
    survey.read_messages(pipeline.read_messages(given, strict=strict))
    digests = [row["sha256"] for row in before["captures"]]
    key = derive_key(typed_home.pseudonym_key if typed_home else None, digests)
    target = Path(os.path.realpath(output))
    temporary = target.with_name(f".{target.name[:100]}.{os.urandom(4).hex()}.part")
    try:
        copied, overwriter = _write(given, temporary, survey, key)
        links = [format_link(link) for link in sorted(survey.links)]
        chosen = links or [format_address(address) for address in sorted(survey.addresses)]
        after = pipeline.audit(
            temporary, devices=chosen, home=typed_home, reveal=True, strict=strict
        ).document
        temporary.replace(target)
    except OSError as error:
        problem = f"{output}: {error.strerror or error}; what stood there before still stands"
        raise OutputError(problem) from error
    finally:
        temporary.unlink(missing_ok=True)
    return _reduction(before, after, copied, overwriter)


def _write(given: Sequence[PathLike], path: Path, survey: Survey, key: bytes) -> tuple[Copied, Overwriter]:
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
    copier = Copier(survey, FrameRewriter(pseudonyms, overwriter), firsts)
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
    return copier.copied, overwriter


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


def _reduction(before: Document, after: Document, copied: Copied, overwriter: Overwriter) -> Reduction:
    names = [row["name"] for row in before["captures"]]
    old, new = _own_findings(before), _own_findings(after)
    missing, added = old.keys() - new.keys(), old.keys() ^ (old.keys() | new.keys())
    renamed = []
    for one in sorted(missing):
        like = sorted(other for other in added if new[other] == old[one])
        if like:
            missing, added = missing - {one}, added - {like[0]}
            renamed.append((old[one][0], one, like[0]))
    return Reduction(
        copied=copied,
        overwritten=overwriter.count,
        packet_map=tuple(
            (names[reference.capture_index], reference.packet_number, number)
            for reference, number in sorted(copied.numbers.items())
        ),
        same=len(old.keys() & new.keys()),
        renamed=tuple(renamed),
        missing=tuple(sorted(f"{old[one][0]} {one}" for one in missing)),
        added=tuple(sorted(f"{new[one][0]} {one}" for one in added)),
        others=tuple(sorted({row["rule_id"] for row in before["findings"] if row["finding_id"] not in old})),
    )


def _own_findings(document: Mapping[str, Any]) -> dict[str, tuple[str, str]]:
    """Rule and device by identifier, of findings about chosen devices."""
    chosen = {row["device_id"] for row in document["devices"] if row["is_chosen"]}
    rows = (*document["findings"], *document["accepted"])
    return {
        row["finding_id"]: (row["rule_id"], row["device_id"]) for row in rows if row["device_id"] in chosen
    }
