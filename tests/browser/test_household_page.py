"""
The household's page in Chromium: one side of A4 and of letter, legible, without requests and barriers.

Sizes: ISO 216 (A4), ANSI/ASME Y14.1 (letter).  Accessibility: axe-core's rules for
WCAG 2.2; HTML: the Nu HTML checker; eleven points: CSS Values 4 section 6.2.
"""

import pytest

import auditor
from auditor.report.catalogue import languages, load_catalogue
from auditor.report.household.layout import fit_page
from auditor.report.household.render_html import render_page_html
from tests.browser.browser import check_html, count_pages
from tests.browser.crowded import crowded_document
from tests.browser.drawn import audited, hostile_document
from tests.household.__main__ import CAPTURES

NAMES = sorted(path.stem for path in CAPTURES.glob("*.pcapng"))
PAPERS = {"a4": "A4", "letter": "Letter"}

# Printed, the body has the paper's height and cuts what is beyond: nothing may be cut.
CUT = """() => ({room: document.body.getBoundingClientRect().height,
  ends: Math.max(...[...document.querySelectorAll('section, svg')].map(e => e.getBoundingClientRect().bottom))
        - document.body.getBoundingClientRect().top,
  smallest: Math.min(...[...document.querySelectorAll('body *')].filter(e => e.textContent.trim() && e.tagName != 'STYLE')
        .filter(e => !e.closest('svg')).map(e => parseFloat(getComputedStyle(e).fontSize))) / 96 * 72})"""


def written(document, language="en", paper="a4"):
    words = load_catalogue(language)
    return render_page_html(*fit_page(document, words, paper), words, paper=paper)


def printed_on_one_side(browser, document, language, paper):
    html = written(document, language, paper)
    assert count_pages(browser.print(html, paper=PAPERS[paper], preferCSSPageSize=True)) == 1
    seen = browser.evaluate(html, CUT, media="print", width=703)  # 186 mm at 96 pixels an inch
    assert seen["value"]["ends"] <= seen["value"]["room"] + 1
    assert seen["value"]["smallest"] >= 10.99
    assert seen["requests"] == []
    assert seen["messages"] == []


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("name", NAMES)
def test_every_recording_gives_one_side(browser, name, language, paper):
    printed_on_one_side(browser, audited(name), language, paper)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("make", [crowded_document, hostile_document])
def test_a_crowded_home_and_hostile_names_give_one_side(browser, make, paper):
    printed_on_one_side(browser, make(), "de", paper)


def test_hostile_names_stay_text(browser):
    seen = browser.evaluate(
        written(hostile_document()), "() => document.querySelectorAll('img, script, b, a').length"
    )
    assert seen["value"] == 0
    assert seen["requests"] == []


@pytest.mark.parametrize("name", ["good-vantage", "laptop-on-wifi", "quiet-and-good"])
def test_no_rule_of_accessibility_is_broken(browser, name):
    for width in (360, 800):
        assert browser.violations(written(audited(name)), width=width) == []


@pytest.mark.parametrize("language", languages())
def test_the_checker_of_html_has_nothing_to_say(browser, language):
    del browser  # the checker needs what the fixture makes sure of
    assert check_html(written(audited("good-vantage"), language)) == []


def test_on_a_small_screen_nothing_moves_sideways(browser):
    assert browser.look(written(audited("everything-speaks")), width=360)["overflow"] <= 0


@pytest.mark.parametrize("language", languages())
def test_it_looks_as_it_did(browser, language):
    html = written(audited("good-vantage"), language)
    picture = browser.look(html, width=703, media="print", grey=True, whole=True)["png"]
    browser.same_as_golden(f"household-page-{language}", picture)


def test_a_revealed_page_says_so(browser):
    document = auditor.audit([CAPTURES / "good-vantage.pcapng"], reveal=True).document
    text = browser.evaluate(written(document), "() => document.querySelector('header').innerText")["value"]
    assert "Contains private data" in text
