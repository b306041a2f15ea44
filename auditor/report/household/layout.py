"""
Fit the page to one side before a browser sees it.

Heights are sums of lines of DejaVu Sans, one of the widest faces in common use,
at eleven points; whatever face a reader has needs no more room (the tests
measure it in a browser).  What does not fit is trimmed, longest parts first.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal

from auditor.redaction.documents import ShownDocument, require_shown
from auditor.report.catalogue import Catalogue
from auditor.report.household.model import USUAL, Action, Page, build_page
from auditor.report.pictures.contacts_drawing import MAX_PEERS, draw_contacts
from auditor.report.pictures.drawing import Picture
from auditor.report.pictures.measure import break_lines

Document = dict[str, Any]
Paper = Literal["a4", "letter"]

ROOM_MM: dict[Paper, float] = {"a4": 272.0, "letter": 255.0}
"""Height inside margins of 12 mm: ISO 216 A4 has 297 mm, ANSI letter 279.4 mm."""
WIDTH_MM = 186.0
PICTURE_WIDTH_MM = 96
GAP_MM = 5.0

LINE_MM = 4.83  # eleven points (3.88 mm), set 1.24 high, as in page.css
TYPE_SIZE = 39  # eleven points in tenths of a millimetre
BOLD_SHARE = 5 / 6  # of the width: a bold face is a fifth wider
MAX_LINES = 60  # a text of more lines is trimmed anyhow
SLACK_MM = 4.0  # rounding of some forty lines to pixels

TITLE_MM, VERDICT_MM, HEADING_MM, SMALL_HEADING_MM, ITEM_MM = 7.5, 9.5, 8.5, 6.1, 2.5

_TIGHTER = (1.0, 0.85, 0.7, 0.55, 0.45)
"""Shares of the usual room of each text, tried one after the other."""


def fit_page(document: ShownDocument, words: Catalogue, paper: Paper) -> tuple[Page, Picture]:
    """The page and its picture, together no higher than the paper."""
    require_shown(document)
    for share in _TIGHTER:
        page = build_page(document, words, USUAL.times(share))
        left = ROOM_MM[paper] - SLACK_MM - _text_mm(page, words)
        does = _does_mm(page)
        picture = _picture(document, words, left)
        if max(does, height_mm(picture)) <= left:
            break
    return page, picture


def _picture(document: Document, words: Catalogue, room: float) -> Picture:
    """As many peers as there is room for."""
    picture = draw_contacts(document, words, width_mm=PICTURE_WIDTH_MM)
    for most in range(MAX_PEERS - 1, 0, -1):
        if height_mm(picture) <= room:
            break
        picture = draw_contacts(document, words, width_mm=PICTURE_WIDTH_MM, most_peers=most)
    return picture


def height_mm(picture: Picture) -> float:
    """As its ``height`` attribute says."""
    _, _, rest = picture.svg.partition(' height="')
    return float(rest.partition("mm")[0])


def _lines(text: str, width_mm: float, *, bold: bool = False) -> int:
    width = int(width_mm * 10 * (BOLD_SHARE if bold else 1))
    return len(break_lines(text, width, TYPE_SIZE, MAX_LINES))


def _block(texts: Iterable[str], width_mm: float) -> float:
    return LINE_MM * sum(_lines(text, width_mm) for text in texts)


def _text_mm(page: Page, words: Catalogue) -> float:
    """All but the row of the picture."""
    head = TITLE_MM + _block([" ".join(page.looked_at)], WIDTH_MM - (45 if page.revealed else 0))
    verdict = VERDICT_MM + 1.2 * LINE_MM * _lines(f"{page.verdict}: {page.sentence}", WIDTH_MM - 8, bold=True)
    doing = HEADING_MM + sum(ITEM_MM + _action_mm(action, words) for action in page.actions)
    if not page.actions:
        doing += _block([page.no_action], WIDTH_MM)
    if page.more:
        doing += LINE_MM
    half = (WIDTH_MM - 6) / 2
    ends = HEADING_MM + max(_block(page.unseen, half), _block((page.next_check, page.ask), half))
    return head + verdict + doing + ends


def _action_mm(action: Action, words: Catalogue) -> float:
    width = WIDTH_MM - 4.5
    wider = action.why[: len(action.why) // 5]  # what the bold letters need more, as further letters
    first = LINE_MM * _lines(f"0. {action.why} {wider} {action.do}", width)
    return first + _block([" ".join(labelled(action, words))], width)


def labelled(action: Action, words: Catalogue) -> list[str]:
    """Who, what changes and how to undo it, each behind its label and with a full stop."""
    parts = (("who", action.who), ("changes", action.changes), ("undo", action.undo))
    return [f"{words.say(f'page.label.{key}')}: {_sentence(text)}" for key, text in parts if text]


def _sentence(text: str) -> str:
    return text if text.endswith((".", "…", "!", "?")) else f"{text}."


def _does_mm(page: Page) -> float:
    width = WIDTH_MM - PICTURE_WIDTH_MM - GAP_MM
    parts = (page.home, page.outside, page.when)
    return HEADING_MM + sum(SMALL_HEADING_MM + _block(texts, width) for texts in parts)
