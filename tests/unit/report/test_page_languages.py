"""
A page speaks one language: every sentence comes from its catalogue, or from its rules.

Oracle: the two catalogues and the rule files; whatever only the other one says may not be on the page.
"""

import html
import re

import pytest

from auditor.report.catalogue import load_catalogue
from auditor.report.household.layout import fit_page
from auditor.report.household.render_html import render_page_html
from auditor.report.household.render_markdown import render_page_markdown
from auditor.report.pictures.contacts import home_names
from auditor.ruleset.loader import load_rules
from tests.browser.drawn import audited
from tests.household.__main__ import CAPTURES

NAMES = sorted(path.stem for path in CAPTURES.glob("*.pcapng"))
OTHER = {"de": "en", "en": "de"}
MIN_LETTERS = 3  # shorter pieces ("in", "an") are words of both languages
FIRST_WORDS = 4  # of a text that may be trimmed on the page


def rule_texts():
    for rule in load_rules([]):
        yield rule.household
        for step in rule.remediation:
            yield from (step.do, step.stops, step.undo)


def pieces_of(language):
    """What stands between the fields of each sentence; of the rules' texts the beginning alone."""
    found = set()
    for key, text in load_catalogue(language).sentences.items():
        pieces = re.split(r"\{[^}]*\}", text)
        found |= {
            " ".join(piece.split()[:FIRST_WORDS] if key.startswith("rule.") else [piece]) for piece in pieces
        }
    if language == "en":
        for template in rule_texts():
            parts = template.parts if hasattr(template, "parts") else (template,)
            found |= {" ".join(part.split()[:FIRST_WORDS]) for part in parts if isinstance(part, str)}
    stripped = {piece.strip(" .,:;()'") for piece in found}
    return {piece for piece in stripped if sum(letter.isalpha() for letter in piece) >= MIN_LETTERS}


def stands_in(piece, text):
    return re.search(rf"(?<!\w){re.escape(piece)}(?!\w)", text) is not None


def only_of(language):
    """Pieces that the other language never says."""
    others = "\n".join([*load_catalogue(OTHER[language]).sentences.values(), *pieces_of(OTHER[language])])
    return sorted(piece for piece in pieces_of(language) if not stands_in(piece, others))


def pages(name, language):
    """Both forms as plain text, without the names that are the household's or a host's own."""
    document, words = audited(name), load_catalogue(language)
    page, picture = fit_page(document, words, "a4")
    names = [
        device[key] for device in document["devices"] for key in ("nickname", "hostname") if device.get(key)
    ]
    shown = home_names(document, words)
    names += [shown(device["device_id"]) for device in document["devices"] if device["is_chosen"]]
    names += [row["name"] for row in document["remote_contacts"] if row["name"]]
    written = render_page_html(page, picture, words)
    for line in set(re.findall(r">([^<>]+)</text>", written)):  # the picture breaks long names
        if any(line.rstrip("…") in own for own in names):
            written = written.replace(f">{line}</text>", "></text>")
    plain = html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", written, flags=re.DOTALL))
    for text in (plain, render_page_markdown(page, picture, words)):
        for own in sorted(names, key=len, reverse=True):
            text = text.replace(own, " ")
        yield text


def test_the_catalogues_have_enough_of_their_own_to_tell_them_apart():
    for language in OTHER:
        assert len(only_of(language)) > 200


@pytest.mark.parametrize("language", OTHER)
@pytest.mark.parametrize("name", NAMES)
def test_a_page_says_nothing_of_the_other_language(name, language):
    foreign = only_of(OTHER[language])
    for text in pages(name, language):
        assert [piece for piece in foreign if stands_in(piece, text)] == []


@pytest.mark.parametrize("language", OTHER)
def test_the_search_finds_its_own_language(language):
    """Or it would find nothing in the other one either."""
    for text in pages("good-vantage", language):
        assert sum(stands_in(piece, text) for piece in only_of(language)) >= 20
