"""
The household's page before a browser sees it: what it says, in which order, in how much room.

What it must hold and may not hold: needs section 6.  Sheets: ISO 216 (A4), ANSI/ASME Y14.1 (letter).
CommonMark 0.31 is read by markdown-it-py.
"""

import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

import auditor
from auditor.report.catalogue import languages, load_catalogue
from auditor.report.household import does, unseen
from auditor.report.household.effort import EFFORTS
from auditor.report.household.layout import PICTURE_WIDTH_MM, ROOM_MM, fit_page, height_mm
from auditor.report.household.model import USUAL, build_page
from auditor.report.household.render_markdown import render_page_markdown
from auditor.report.household.trim import trim
from auditor.report.verdict import SEVERITY_ORDER, Urgency, first_actions
from auditor.ruleset.loader import load_rules
from tests.browser.crowded import crowded_document
from tests.browser.drawn import audited, hostile_document
from tests.household.__main__ import CAPTURES
from tests.household.pictures import own_copy

NAMES = sorted(path.stem for path in CAPTURES.glob("*.pcapng"))
WORDS = load_catalogue()
MINUTES_OF_AN_EVENING = 60
MM_OF_AN_INCH = 25.4


def changed(name, **parts):
    document = own_copy(audited(name))
    document.update(parts)
    return document


def without_findings(name):
    return changed(name, findings=[])


def test_every_shipped_rule_says_who_and_how_long():
    assert set(EFFORTS) == {rule.rule_id for rule in load_rules([])}
    assert all(1 <= effort.minutes <= MINUTES_OF_AN_EVENING for effort in EFFORTS.values())
    assert {effort.who for effort in EFFORTS.values()} <= {
        key.removeprefix("page.who.") for key in WORDS.sentences
    }


@pytest.mark.parametrize("name", NAMES)
def test_the_actions_are_the_gravest_findings_in_the_order_of_the_report(name):
    """Medium and above, one of each rule, at most three (needs section 6)."""
    grave = [
        one
        for one in audited(name)["findings"]
        if SEVERITY_ORDER.index(one["severity"]) >= SEVERITY_ORDER.index("medium")
    ]
    rules = list(dict.fromkeys(one["rule_id"] for one in grave))[:3]
    wanted = [next(one["finding_id"] for one in grave if one["rule_id"] == rule) for rule in rules]
    for language in languages():
        page = build_page(audited(name), load_catalogue(language))
        assert [action.finding_id for action in page.actions] == wanted


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_empty_and_what_nobody_saw_always_stands_there(name, language):
    page = build_page(audited(name), load_catalogue(language))
    for texts in (page.looked_at, page.home, page.outside, page.when, page.unseen):
        assert texts
        assert all(text.strip() for text in texts)
    assert len(page.actions) <= 3
    assert all((action.why and action.do and action.who) for action in page.actions)
    assert page.next_check
    assert page.ask
    assert page.unseen[-1] == load_catalogue(language).say("page.unseen.always")


def test_the_four_answers():
    """Do now, when convenient, nothing to do, we cannot tell (needs section 6)."""
    good = audited("good-vantage")
    milder = changed("good-vantage")
    milder["findings"] = [one for one in milder["findings"] if one["severity"] == "medium"]
    for document, urgency, verdict in (
        (good, Urgency.NOW, "Do now"),
        (milder, Urgency.CONVENIENT, "Do when convenient"),
        (without_findings("good-vantage"), Urgency.NOTHING, "Nothing to do"),
        (without_findings("laptop-on-wifi"), Urgency.CANNOT_TELL, "We cannot tell"),
    ):
        page = build_page(document, WORDS)
        assert (page.urgency, page.verdict) == (urgency, verdict)


def test_a_recording_that_shows_nothing_says_what_to_do_next():
    page = build_page(audited("laptop-on-wifi"), WORDS)
    assert page.actions == ()
    assert page.no_action.startswith("Record again")
    assert page.next_check == WORDS.say("page.next.soon")


def test_no_light_at_all_is_told():
    document = changed("good-vantage", findings=[])
    document["devices"] = [{**device, "is_chosen": False} for device in document["devices"]]
    page = build_page(document, WORDS)
    assert page.looked_at[0] == "We looked at: nothing that we know as a light."
    assert unseen.place(document) == "no-light"


def test_the_next_check_is_ninety_days_later():
    """14 March and 90 days: 12 June (17 days of March are left, 30 of April, 31 of May)."""
    assert build_page(audited("good-vantage"), WORDS).next_check.startswith("By 12 June 2026")


def test_a_rule_of_the_household_keeps_its_own_words_in_every_language():
    document = changed("good-vantage")
    document["findings"][0] |= {"rule_id": "our-own-rule", "household": "Our own words."}
    for language in languages():
        words = load_catalogue(language)
        first = build_page(document, words).actions[0]
        assert first.why == "Our own words."
        assert first.who == words.say("page.who.unknown")


def test_what_the_lights_do_in_the_shown_recording():
    """``captures/README.md``: the phone and the hub switch it, it polls the hub each second, it calls a cloud."""
    document = audited("good-vantage")
    home = does.at_home(document, WORDS)
    assert home[-1].startswith(("It asks hub again and again: every 1 s", "It tells everybody"))
    assert any(text.startswith("It was switched by:") and "phone" in text for text in home)
    assert any(text.startswith("It calls one firm outside") for text in does.outside(document, WORDS))


def test_not_seen_and_could_not_be_seen_are_two_things():
    nothing = {"controls": [], "services": [], "local_contacts": [], "remote_contacts": [], "findings": []}
    silent, blind = changed("good-vantage", **nothing), changed("laptop-on-wifi", **nothing)
    for part, key in ((does.at_home, "page.home"), (does.outside, "page.outside")):
        assert part(silent, WORDS) == (WORDS.say(f"{key}.nothing"),)
        assert part(blind, WORDS) == (WORDS.say(f"{key}.unseen"),)


def test_only_open_questions_are_named_as_unseen():
    document = changed("good-vantage")
    document["coverage"]["could_not_see"] = []
    assert unseen.sentences(document, WORDS) == (WORDS.say("page.unseen.always"),)


@given(st.text(max_size=300), st.integers(2, 120))
def test_a_trimmed_text_has_its_room_and_says_that_more_was_there(text, most):
    short = trim(text, most)
    assert len(short) <= most
    assert trim(short, most) == short
    assert short.endswith("…") or short == trim(text, 100_000)


def test_a_text_is_cut_behind_a_word():
    assert trim("the light on the shelf and more", 24) == "the light on the shelf…"
    assert trim("the light on the shelf, and more", 23) == "the light on the shelf…"


@pytest.mark.parametrize("paper", ROOM_MM)
@pytest.mark.parametrize("make", [crowded_document, hostile_document, lambda: audited("good-vantage")])
def test_the_picture_has_its_width_and_room(make, paper):
    page, picture = fit_page(make(), load_catalogue("de"), paper)
    assert float(ET.fromstring(picture.svg).attrib["width"].removesuffix("mm")) == PICTURE_WIDTH_MM
    assert 0 < height_mm(picture) < ROOM_MM[paper]
    assert len(page.actions) == 3
    assert all(len(action.do) <= USUAL.do for action in page.actions)


def test_room_is_that_of_the_sheets_inside_their_margins():
    assert ROOM_MM["a4"] <= 297 - 2 * 12
    assert ROOM_MM["letter"] <= 11 * MM_OF_AN_INCH - 2 * 12


def test_what_did_not_pass_the_gate_is_refused():
    with pytest.raises(TypeError):
        fit_page(dict(audited("good-vantage")), WORDS, "a4")


def read(text):
    return MarkdownIt("commonmark").parse(text)


@pytest.mark.parametrize("name", NAMES)
def test_the_markdown_has_the_parts_in_order(name):
    document = audited(name)
    page, picture = fit_page(document, WORDS, "a4")
    text = render_page_markdown(page, picture, WORDS)
    tokens = read(text)
    titles = [tokens[n + 1].content for n, token in enumerate(tokens) if token.type == "heading_open"]
    assert titles[0] == "Our lights and our network"
    assert titles[2:] == ["What it does", "What to do", "What we could not see", "Next check"]
    lists = [token for token in tokens if token.type == "ordered_list_open"]
    assert len(lists) == bool(page.actions)
    assert text.endswith("\n")
    assert not text.endswith("\n\n")


@pytest.mark.parametrize("make", [crowded_document, hostile_document])
def test_hostile_names_neither_link_nor_embed_in_markdown(make):
    page, picture = fit_page(make(), WORDS, "a4")
    text = render_page_markdown(page, picture, WORDS)
    kinds = {child.type for token in read(text) for child in token.children or ()} | {
        token.type for token in read(text)
    }
    assert not kinds & {"link_open", "image", "html_inline", "html_block", "fence", "code_block"}
    assert "\x1b" not in text
    assert "\u202e" not in text


@pytest.mark.parametrize("name", NAMES)
def test_the_terminal_shows_the_page_s_actions_first(name):
    """The three of the page are the first three that a terminal lists, by rule."""
    report = auditor.audit([CAPTURES / f"{name}.pcapng"])
    shown = report.to_text(brief=True)
    actions = [one["rule_id"] for one in first_actions(report.document)]
    listed = re.findall(r"^ {15}([a-z0-9-]+), ", shown, re.MULTILINE)
    assert list(dict.fromkeys(listed))[: len(actions)] == actions
