"""
Pictures in Chromium: legible, inside their frame, named for whoever cannot see them, and the same in grey.

Type size: 11 pt is 3.88 mm (CSS Values 4 section 6.2).  Text alternatives: WCAG 2.2
success criterion 1.1.1 and SVG 2 section 5.7 (title and desc).
"""

import pytest

from auditor.report.catalogue import load_catalogue
from auditor.report.pictures.contacts_drawing import draw_contacts
from auditor.report.pictures.drawing import TYPE_SIZE
from auditor.report.pictures.measure import text_width
from tests.browser.drawn import documents, hostile_document
from tests.household.pictures import PICTURES

WORDS = load_catalogue()
WIDTHS = (72, 86, 170)

BOXES = """() => [...document.querySelectorAll('svg')].map(svg => {
  const frame = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text')].filter(text => {
    const box = text.getBoundingClientRect();
    return box.left < frame.left - 1 || box.right > frame.right + 1
        || box.top < frame.top - 1 || box.bottom > frame.bottom + 1;
  }).map(text => text.textContent);
})"""
SIZES = """() => [...document.querySelectorAll('svg text')].map(text =>
  parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a / 96 * 72)"""


def page(*svgs: str) -> str:
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Pictures</title></head>'
        f'<body style="margin:8px;background:#fff;color:#000"><main><h1>Pictures</h1>{"".join(svgs)}</main></body></html>'
    )


@pytest.mark.parametrize("width_mm", WIDTHS)
def test_no_text_leaves_a_picture_and_none_is_small(browser, width_mm):
    """All pictures of one width in one page; 11 pt as the browser lays them out."""
    svgs = [draw_contacts(load(), WORDS, width_mm=width_mm).svg for load in documents().values()]
    svgs += [draw(width_mm).svg for draw in PICTURES.values()]
    seen = browser.evaluate(page(*svgs), BOXES)
    assert seen["value"] == [[]] * len(svgs)
    assert seen["requests"] == []
    sizes = browser.evaluate(page(*svgs), SIZES)["value"]
    assert len(sizes) > 100
    assert min(sizes) >= 10.99


@pytest.mark.parametrize("name", ["contacts", "coverage", "wall", "timeline"])
def test_a_picture_on_grey_paper_looks_as_it_did(browser, name):
    """At 72 mm, the narrowest that the page for the household uses."""
    seen = browser.look(page(PICTURES[name](72).svg), width=300, height=400, grey=True)
    browser.same_as_golden(f"picture-{name}-grey", seen["png"])


def test_hostile_names_stay_text_inside_the_picture(browser):
    svg = draw_contacts(hostile_document(), WORDS, width_mm=72).svg
    seen = browser.evaluate(page(svg), BOXES)
    assert seen["value"] == [[]]
    assert seen["requests"] == []
    assert seen["messages"] == []
    count = browser.evaluate(page(svg), "() => document.querySelectorAll('img, script, b').length")
    assert count["value"] == 0


def test_texts_are_no_wider_than_measured(browser):
    """The face itself is the judge: DejaVu Sans as Chromium lays it out."""
    signs = (chr(number) for number in (*range(0x21, 0x7F), *range(0xA1, 0x100)))
    samples = [sign * 20 for sign in signs if sign not in "<&\u00ad"]
    plain = len(samples)  # one sign again and again is kerned as no word is
    samples += ["readable on the way", "cloud.shelf-light.example", "Größe über Straße", "every 1.5 s"]
    texts = "".join(
        f'<text x="0" y="40" font-family="DejaVu Sans" font-size="{TYPE_SIZE}" '
        f'style="font-kerning:{"none" if place < plain else "auto"};font-variant-ligatures:none">'
        f"{sample.replace('>', '&gt;')}</text>"
        for place, sample in enumerate(samples)
    )
    html = page(f'<svg viewBox="0 0 1000 60" width="1000" height="60">{texts}</svg>')
    widths = browser.evaluate(
        html, "() => [...document.querySelectorAll('text')].map(text => text.getComputedTextLength())"
    )["value"]
    assert len(widths) == len(samples)
    for sample, width in zip(samples, widths, strict=True):
        assert width <= text_width(sample, TYPE_SIZE) + 1, sample
        assert width >= 0.9 * text_width(sample, TYPE_SIZE) - 1, sample


def test_a_picture_in_a_page_breaks_no_rule_of_accessibility(browser):
    svgs = [draw_contacts(documents()["good-vantage"](), WORDS, width_mm=width).svg for width in WIDTHS]
    assert browser.violations(page(*svgs)) == []
