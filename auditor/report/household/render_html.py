"""
The page as one HTML file for A4 or Letter: no scripts, fonts or requests.

The room for each part is fixed and its texts are trimmed before they come here,
so that the printed page is one side whatever the recording holds.
"""

from __future__ import annotations

from importlib.resources import files

from auditor.report.catalogue import Catalogue
from auditor.report.household.layout import ROOM_MM, Paper, labelled
from auditor.report.household.model import Action, Page
from auditor.report.html.element import Child, Html, join, tag
from auditor.report.html.page import POLICY
from auditor.report.pictures.drawing import Picture

_PAPER_WORDS: dict[Paper, str] = {"a4": "A4", "letter": "letter"}
"""As CSS Paged Media 3 section 7.1 names them."""


def render_page_html(page: Page, picture: Picture, words: Catalogue, *, paper: Paper = "a4") -> str:
    """The whole file; ``page`` and ``picture`` come from ``layout.fit_page`` for the same paper."""
    room = f"{ROOM_MM[paper]:.0f}mm"
    sheet = (files("auditor.report.household") / "page.css").read_text("utf-8")
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", page.title),
        Html(f"<style>{sheet.replace('PAPER', _PAPER_WORDS[paper]).replace('ROOM', room)}</style>"),
    )
    body = tag(
        "body",
        tag(
            "header",
            tag("p", words.say("page.private"), class_="private") if page.revealed else None,
            tag("h1", page.title),
            tag("p", " ".join(page.looked_at)),
        ),
        tag(
            "main",
            tag("p", tag("strong", f"{page.verdict}: "), page.sentence, class_="verdict"),
            _sight(page, picture, words),
            _actions(page, words),
            _ends(page, words),
        ),
    )
    return f"<!DOCTYPE html>\n{tag('html', head, body, lang=words.language)}\n"


def _sight(page: Page, picture: Picture, words: Catalogue) -> Html:
    parts = (("home", page.home), ("outside", page.outside), ("when", page.when))
    return tag(
        "div",
        tag("figure", Html(picture.svg)),
        tag(
            "section",
            tag("h2", words.say("page.does.title"), id="does"),
            *(
                join([tag("h3", words.say(f"page.{key}.title")), *(tag("p", text) for text in texts)])
                for key, texts in parts
            ),
            aria_labelledby="does",
        ),
        class_="sight",
    )


def _actions(page: Page, words: Catalogue) -> Html:
    items: list[Child] = [
        tag("li", _action(action, number, words)) for number, action in enumerate(page.actions, start=1)
    ]
    body = tag("ol", *items, class_="actions") if items else tag("p", page.no_action)
    more = tag("p", page.more, class_="quiet") if page.more else None
    title = tag("h2", words.say("page.actions.title"), id="actions")
    return tag("section", title, body, more, aria_labelledby="actions")


def _action(action: Action, number: int, words: Catalogue) -> Html:
    return join(
        [
            tag("p", tag("strong", action.why, data_number=str(number)), " ", action.do),
            tag("p", " ".join(labelled(action, words))),
        ]
    )


def _ends(page: Page, words: Catalogue) -> Html:
    return tag(
        "div",
        tag(
            "section",
            tag("h2", words.say("page.unseen.title"), id="unseen"),
            tag("ul", *(tag("li", text) for text in page.unseen)),
            aria_labelledby="unseen",
        ),
        tag(
            "section",
            tag("h2", words.say("page.next.title"), id="next"),
            tag("p", page.next_check),
            tag("p", page.ask),
            aria_labelledby="next",
        ),
        class_="ends",
    )
