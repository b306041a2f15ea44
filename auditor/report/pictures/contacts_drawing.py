"""
The picture of who talks to whom: this device on the left, home and outside as bands on the right.

Each arrow begins at the one who opened the talk.  Its line says whether it can
be read on the way, its width how often it happens, a bar through it that it was
tried and stopped; every one of these also stands in words.
"""

from __future__ import annotations

from typing import Any

from auditor.report.catalogue import Catalogue
from auditor.report.pictures.contacts import Arrow, Names, Peer, Zone, gather_peers, often
from auditor.report.pictures.drawing import BAND, LINE_HEIGHT, TYPE_SIZE, Drawing, Picture, Stroke, fit
from auditor.report.pictures.measure import text_width

Document = dict[str, Any]

MAX_PEERS = 5
"""In one band; a person takes in some five things at once (common practice), the others are counted."""
MAX_ARROWS = 3
"""Of one peer: both directions and one more."""
MAX_NAMES = 3
"""Chosen devices that are named in the box on the left."""

KINDS: dict[str, Stroke] = {"readable": "solid", "encrypted": "dashed", "unknown": "dotted"}
THICKNESS = {1: 5, 2: 11, 3: 19}
_MARGIN = 6
_PAD = 14


def draw_contacts(document: Document, words: Catalogue, *, width_mm: int = 86) -> Picture:
    """
    Draw the contacts of the chosen devices in a redacted document.

    ``width_mm``: as wide as it will stand on paper, 60 to 400; letters have
    eleven points at that width.
    """
    peers = gather_peers(document, words)
    drawing = Drawing("contacts", width_mm)
    width = drawing.width
    column = width * 23 // 100
    right = width * 45 // 100
    several = sum(device["is_chosen"] for device in document["devices"]) > 1
    band = words.say("picture.band.gadgets" if several else "picture.band.gadget")
    title_lines = fit(band, right - 40, 2, bold=True)
    start = y = drawing.lines(_MARGIN, 8, title_lines, width=right - 40, bold=True) + 13
    bands: list[tuple[Peer, int, list[int]]] = []
    shown: list[tuple[Zone, list[Peer], int]] = []
    zones: tuple[Zone, Zone] = ("home", "outside")
    for zone in zones:
        members = [peer for peer in peers if peer.zone == zone]
        kept = members if len(members) <= MAX_PEERS else members[: MAX_PEERS - 1]
        shown.append((zone, kept, len(members) - len(kept)))
    for place, (zone, kept, folded) in enumerate(shown):
        band_top = y if place else 0
        y = band_top + _PAD
        rows, y = _measure(kept, width - right - 4 * _PAD, y + LINE_HEIGHT + 8, words)
        extra = [words.count("picture.contacts.others", folded)] if folded else []
        if not kept:
            extra = fit(nothing_words(document, words), width - right - 2 * _PAD, 4)
        y_end = y + len(extra) * LINE_HEIGHT + (_PAD if extra else 0)
        drawing.box(right - 30, band_top, width - right + 30, y_end - band_top, fill=BAND, stroke=0)
        drawing.lines(
            right, band_top + 8, [words.say(f"picture.band.{zone}")], width=width - right - _PAD, bold=True
        )
        for peer, box_top, arrow_ys, lines, height in rows:
            drawing.box(right, box_top, width - right - _PAD, height)
            drawing.lines(right + _PAD, box_top + 8, lines, width=width - right - 3 * _PAD)
            bands.append((peer, box_top, arrow_ys))
        drawing.lines(right + 4, y, extra, width=width - right - _PAD)
        y = y_end + 12
    bottom = y - 12
    drawing.box(_MARGIN, start, column - _MARGIN, bottom - start, stroke=7)
    _name_gadgets(drawing, document, words, start, bottom, column)
    for peer, _, arrow_ys in bands:
        for arrow, arrow_y in zip(peer.arrows, arrow_ys, strict=False):
            _draw_arrow(drawing, arrow, arrow_y, column + 3, right - 3)
    height = _legend(drawing, words, [arrow for peer, _, _ in bands for arrow in peer.arrows], bottom + 16)
    return drawing.finish(
        height,
        title=words.say("picture.contacts.title"),
        description=describe(document, words, shown),
    )


_Row = tuple[Peer, int, list[int], list[str], int]


def _measure(peers: list[Peer], width: int, y: int, words: Catalogue) -> tuple[list[_Row], int]:
    """Boxes below each other: peer, top, height of each arrow, lines, height."""
    rows: list[_Row] = []
    for peer in peers:
        lines = fit(peer.name, width)
        arrow_ys = []
        for arrow in peer.arrows[:MAX_ARROWS]:
            said = fit(often(arrow, words), width)
            arrow_ys.append(y + 8 + len(lines) * LINE_HEIGHT + len(said) * LINE_HEIGHT // 2)
            lines += said
        if len(arrow_ys) == 1:
            arrow_ys = [y + 8 + len(lines) * LINE_HEIGHT // 2]
        height = len(lines) * LINE_HEIGHT + 18
        rows.append((peer, y, arrow_ys, lines, height))
        y += height + 12
    return rows, y


def nothing_words(document: Document, words: Catalogue) -> str:
    """For a band without peers: nothing was seen, or nothing could have been."""
    could = "unicast-with-device" in document["coverage"]["abilities"]
    return words.say("picture.contacts.none" if could else "picture.contacts.could-not")


def _name_gadgets(
    drawing: Drawing, document: Document, words: Catalogue, top: int, bottom: int, column: int
) -> None:
    width = column - _MARGIN - 2 * _PAD
    lines: list[str] = []
    for name in gadget_names(document, words):
        lines += [*([""] if lines else []), *fit(name, width, 3)]
    first = max(top + 8, (top + bottom - len(lines) * LINE_HEIGHT) // 2)
    room = max(1, (bottom - first) // LINE_HEIGHT)
    drawing.lines((_MARGIN + column) // 2, first, lines[:room], width=width, anchor="middle")


def gadget_names(document: Document, words: Catalogue) -> list[str]:
    """Names of the chosen devices, at most a few, then how many more."""
    called = Names(document["devices"], words)
    names = [called(device["device_id"]) for device in document["devices"] if device["is_chosen"]]
    if not names:
        return [words.say("picture.contacts.no-device")]
    left = len(names) - MAX_NAMES
    return names if left <= 0 else [*names[:MAX_NAMES], words.count("picture.contacts.others", left)]


def _draw_arrow(drawing: Drawing, arrow: Arrow, y: int, left: int, right: int) -> None:
    start, end = (right, left) if arrow.opener == "peer" else (left, right)
    drawing.arrow(
        start,
        y,
        end,
        thick=THICKNESS[arrow.weight],
        kind=KINDS[arrow.readability],
        barred=arrow.stopped,
        headed=arrow.opener != "unknown",
    )


def _legend(drawing: Drawing, words: Catalogue, arrows: list[Arrow], top: int) -> int:
    """Only what the picture holds; as many entries in a row as fit."""
    entries: list[tuple[str, Stroke, bool, int, bool]] = [
        (words.say(f"picture.line.{word}"), kind, False, 5, True)
        for word, kind in KINDS.items()
        if any(arrow.readability == word for arrow in arrows)
    ]
    if any(arrow.stopped for arrow in arrows):
        entries.append((words.say("picture.line.stopped"), "solid", True, 5, True))
    if any(arrow.opener == "unknown" for arrow in arrows):
        entries.append((words.say("picture.line.opener-unknown"), "solid", False, 5, False))
    if any(arrow.weight > 1 for arrow in arrows):
        entries.append((words.say("picture.line.thick"), "solid", False, THICKNESS[3], True))
    sample, gap = 110, 40
    x, y = _MARGIN, top
    for said, kind, barred, thick, headed in entries:
        lines = fit(said, drawing.width - sample - 2 * _MARGIN - _PAD, 2)
        needed = sample + _PAD + max(text_width(line, TYPE_SIZE) for line in lines)
        if x > _MARGIN and x + needed > drawing.width - _MARGIN:
            x, y = _MARGIN, y + LINE_HEIGHT + 8
        middle = y + LINE_HEIGHT // 2
        drawing.arrow(x, middle, x + sample, thick=thick, kind=kind, barred=barred, headed=headed)
        drawing.lines(x + sample + _PAD, y, lines, width=drawing.width - x - sample - _PAD)
        y += (len(lines) - 1) * LINE_HEIGHT
        x += needed + gap
    return y + LINE_HEIGHT + 12 if entries else top


def describe(document: Document, words: Catalogue, shown: list[tuple[Zone, list[Peer], int]]) -> str:
    """The picture in sentences."""
    parts = [words.say("picture.contacts.said-of", names=", ".join(gadget_names(document, words)))]
    for zone, kept, folded in shown:
        band = words.say(f"picture.band.{zone}")
        if not kept:
            parts.append(f"{band}: {nothing_words(document, words)}.")
            continue
        said = [_sentence(peer, arrow, words) for peer in kept for arrow in peer.arrows[:MAX_ARROWS]]
        if folded:
            said.append(words.count("picture.contacts.others", folded))
        parts.append(f"{band}: {'; '.join(said)}.")
    return " ".join(parts)


def _sentence(peer: Peer, arrow: Arrow, words: Catalogue) -> str:
    return words.say(
        f"picture.contacts.said.{arrow.opener}",
        peer=peer.name,
        often=often(arrow, words),
        line=words.say(f"picture.line.{arrow.readability}"),
    )
