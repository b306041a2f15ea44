"""
Which findings of a recording its copy still shows.

The identifier of a finding that names a peer is hashed over the peer's identity,
which the copy does not hold: there it is another one.  Such findings are paired
by their rule and the packets that prove them, whose numbers in the copy are known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from auditor.flows.flow import PacketReference
from auditor.reduction.copy import Copied

_Packets = frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """What was written, and what it still shows."""

    copied: Copied
    overwritten: int
    """Packets in which octets were overwritten."""
    chosen: tuple[str, ...]
    """Words that choose the same devices in an audit of the copy."""
    packet_map: tuple[tuple[str, int, int], ...]
    """Of packets that findings name: capture, number there, number in the copy."""
    same: int
    """Findings that the copy shows under the same identifier."""
    renamed: tuple[tuple[str, str, str], ...]
    """Rule, identifier before, identifier in the copy: a pseudonym is hashed into it."""
    missing: tuple[str, ...]
    """Rule and identifier of findings that the copy does not show."""
    added: tuple[str, ...]
    """Rule and identifier of findings that only the copy shows."""
    link_types: tuple[str, ...]
    """Of the copy, by the registry's names; a program of libpcap's reads a file of one alone."""


def match_findings(
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    copied: Copied,
    overwritten: int,
    chosen: tuple[str, ...],
    shown_names: Sequence[str],
) -> Reduction:
    """
    Compare the revealed report of a recording with that of its copy.

    ``shown_names``: of the recordings, in their order, as a report that is not revealed gives them.
    """
    places = {row["name"]: index for index, row in enumerate(before["captures"])}

    def in_copy(evidence: Iterable[Mapping[str, Any]]) -> _Packets:
        references = (PacketReference(places[one["capture"]], one["packet"]) for one in evidence)
        return frozenset(copied.numbers[one] for one in references if one in copied.numbers)

    old = {row["finding_id"]: (row["rule_id"], in_copy(row["evidence"])) for row in _findings(before)}
    new = {
        row["finding_id"]: (row["rule_id"], frozenset(one["packet"] for one in row["evidence"]))
        for row in _findings(after)
    }
    gone, come = old.keys() - new.keys(), new.keys() - old.keys()
    pairs = sorted(
        (-len(old[one][1] & new[other][1]), one, other)
        for one in gone
        for other in come
        if old[one][0] == new[other][0] and old[one][1] & new[other][1]
    )
    renamed: dict[str, str] = {}
    for _, one, other in pairs:
        if one not in renamed and other in come:
            renamed[one] = other
            come -= {other}
    return Reduction(
        copied=copied,
        overwritten=overwritten,
        chosen=chosen,
        packet_map=tuple(
            (shown_names[reference.capture_index], reference.packet_number, number)
            for reference, number in sorted(copied.numbers.items())
        ),
        same=len(old.keys() & new.keys()),
        renamed=tuple(sorted((old[one][0], one, other) for one, other in renamed.items())),
        missing=tuple(sorted(f"{old[one][0]} {one}" for one in gone - renamed.keys())),
        added=tuple(sorted(f"{new[one][0]} {one}" for one in come)),
        link_types=tuple(after["captures"][0]["link_types"]),
    )


def _findings(document: Mapping[str, Any]) -> Iterable[Mapping[str, Any]]:
    return (*document["findings"], *document["accepted"])
