"""The blocks of a printed outline as HTML, for parts that every form of the report tells alike."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from auditor.report.html.element import Html, join, tag
from auditor.report.html.page import Section, table
from auditor.report.outline import Block, Fields, Heading, Items, Lines, Outline, Paragraph, Table


def render_blocks(blocks: Iterable[Block], *, deeper: int = 0) -> Html:
    """Blocks in order; ``deeper`` is added to the level of each heading."""
    return join(_block(block, deeper) for block in blocks)


def _block(block: Block, deeper: int) -> Html:
    match block:
        case Heading(level, text):
            return tag(f"h{min(6, level + deeper)}", text)
        case Paragraph(text):
            return tag("p", text)
        case Items(texts):
            return tag("ul", *(tag("li", text) for text in texts))
        case Fields(pairs):
            return fields(pairs)
        case Lines(texts):
            return tag("pre", "\n".join(texts))
        case Table(headers, rows):
            return table(headers, rows, caption=f"{headers[0]} by {headers[1].lower()}")


def fields(pairs: Iterable[tuple[str, str]]) -> Html:
    """Labels and what they hold."""
    parts = (join([tag("dt", label), tag("dd", text)]) for label, text in pairs)
    return tag("dl", join(parts))


def without_title(blocks: Outline) -> Outline:
    """Without the headings that the section around it has already."""
    return [block for block in blocks if not (isinstance(block, Heading) and block.level <= 2)]


def split_sections(outline: Outline) -> tuple[Html, list[Section]]:
    """What stands before the first heading of level 2, and a section for each of them."""
    lead: list[Block] = []
    parts: list[tuple[str, list[Block]]] = []
    for block in outline:
        if isinstance(block, Heading) and block.level == 1:
            continue
        if isinstance(block, Heading) and block.level == 2:
            parts.append((block.text, []))
        elif parts:
            parts[-1][1].append(block)
        else:
            lead.append(block)
    return render_blocks(lead), [
        Section(anchor(title, number), title, render_blocks(blocks))
        for number, (title, blocks) in enumerate(parts, start=1)
    ]


def anchor(title: str, number: int) -> str:
    """An id of plain letters; the number keeps two equal titles apart."""
    words: Sequence[str] = re.findall(r"[a-z]+", title.lower())
    return f"part-{number}-{'-'.join(words[:4])}"
