"""The report as Markdown (CommonMark 0.31, with the table extension that most viewers know)."""

from __future__ import annotations

from auditor.report.harmless import harmless_cell, harmless_markdown, harmless_text
from auditor.report.outline import Fields, Heading, Items, Lines, Outline, Paragraph, Table


def render_markdown(outline: Outline) -> str:
    """Markdown with a final newline; recorded names can neither link nor embed nor break out of a cell."""
    parts: list[str] = []
    for block in outline:
        match block:
            case Heading(level, text):
                parts.append(f"{'#' * level} {harmless_markdown(text)}")
            case Paragraph(text):
                parts.append(harmless_markdown(text))
            case Items(texts):
                parts.append("\n".join(f"- {harmless_markdown(text)}" for text in texts))
            case Fields(pairs):
                lines = [f"- **{label}:** {_inside(text)}" for label, text in pairs]
                parts.append("\n".join(lines))
            case Table():
                parts.append(_table(block))
            case Lines(texts):
                # An indented code block (CommonMark 0.31 section 4.4): nothing in it is markup.
                parts.append("\n".join(f"    {harmless_text(text)}" for text in texts))
    return "\n\n".join(parts) + "\n"


def _table(block: Table) -> str:
    rows = [block.headers, tuple("---" for _ in block.headers)]
    rows += [tuple(_inside(harmless_cell(cell)) for cell in row) for row in block.rows]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def _inside(text: str) -> str:
    return harmless_markdown(text, at_line_start=False)
