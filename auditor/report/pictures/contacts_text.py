"""
Who talks to whom as lines of plain ASCII, for a terminal: the picture's facts, without its drawing.

Arrows begin at the opener; ``====>`` is readable on the way, ``- - >`` encrypted,
``. . >`` not known, ``==|=>`` tried and stopped.
"""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Arrow, gather_peers, often
from auditor.report.pictures.contacts_drawing import MAX_ARROWS, MAX_PEERS, nothing_words

Document = dict[str, Any]

LINES = {"readable": "====", "encrypted": "- - ", "unknown": ". . "}
BARRED = "==|="


def contacts_rows(document: Document, words: Catalogue) -> list[tuple[str, str, str]]:
    """Rows of zone, arrow and peer with how often, in the order of the picture."""
    peers = gather_peers(document, words)
    rows: list[tuple[str, str, str]] = []
    for zone in ("home", "outside"):
        band = words.say(f"picture.band.{zone}")
        members = [peer for peer in peers if peer.zone == zone]
        kept = members if len(members) <= MAX_PEERS else members[: MAX_PEERS - 1]
        if not kept:
            rows.append((band, "", nothing_words(document, words)))
        for peer in kept:
            rows += [
                (band, ascii_arrow(arrow), f"{peer.name}: {often(arrow, words)}, {_line(arrow, words)}")
                for arrow in peer.arrows[:MAX_ARROWS]
            ]
        if len(members) > len(kept):
            rows.append((band, "", words.count("picture.contacts.others", len(members) - len(kept))))
    return rows


def ascii_arrow(arrow: Arrow) -> str:
    """``it ====>``: this device left, the peer right; a sign in front would look like a formula."""
    line = BARRED if arrow.stopped else LINES[arrow.readability]
    return {"device": f"it {line}>", "peer": f"it <{line}", "unknown": f"it {line}"}[arrow.opener]


def _line(arrow: Arrow, words: Catalogue) -> str:
    return words.say(f"picture.line.{arrow.readability}")
