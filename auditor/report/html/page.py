"""The frame of every page: head, landmarks, a way past the contents, and the mark of what is private."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from auditor.report.html.element import Child, Html, join, tag
from auditor.report.html.style import sheet_mark, style_sheet

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
"""Content Security Policy Level 3: the file may show itself and nothing else, whatever a name smuggles in."""

PRIVATE = "Contains private data"


class Section(NamedTuple):
    """One part of a page, reached from the list at its head."""

    anchor: str
    title: str
    body: Html


def page(title: str, sections: Sequence[Section], *, lead: Child, private: bool, tool: str) -> Html:
    """
    A whole document.

    ``lead`` stands before the list of contents; ``private``: names and addresses
    are not hidden, which the top and each printed sheet then say.
    """
    contents = tag(
        "nav",
        tag("h2", "Contents", id="contents"),
        tag("ul", *(tag("li", tag("a", part.title, href=f"#{part.anchor}")) for part in sections)),
        aria_labelledby="contents",
    )
    body = join(
        [
            tag("a", "To the report", class_="skip", href="#report"),
            tag(
                "header",
                tag("h1", title),
                tag("p", f"{PRIVATE}: nobody's names and addresses are hidden in it.", class_="private")
                if private
                else None,
            ),
            tag(
                "main",
                lead,
                contents if len(sections) > 1 else None,
                *map(_section, sections),
                id="report",
                tabindex="-1",
            ),
            tag("footer", tag("p", f"Made offline by {tool} from the recording alone.", class_="quiet")),
        ]
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", f"{title} ({PRIVATE.lower()})" if private else title),
        Html(f"<style>{style_sheet()}{sheet_mark(PRIVATE) if private else ''}</style>"),
    )
    return Html(f"<!DOCTYPE html>\n{tag('html', head, tag('body', body), lang='en')}\n")


def _section(part: Section) -> Html:
    title = tag("h2", part.title, id=part.anchor)
    return tag("section", title, part.body, aria_labelledby=part.anchor)


def fold(summary: Child, *body: Child, is_open: bool = False) -> Html:
    """A long part that opens by mouse or key."""
    return tag("details", tag("summary", summary), *body, open=is_open)


def table(headers: Sequence[str], rows: Sequence[Sequence[Child]], *, caption: str) -> Html:
    """Rows whose first cell names them."""
    head = tag("tr", *(tag("th", header, scope="col") for header in headers))
    body = [tag("tr", tag("th", row[0], scope="row"), *(tag("td", cell) for cell in row[1:])) for row in rows]
    return tag("table", tag("caption", caption), tag("thead", head), tag("tbody", *body))
