"""
The long report in Chromium, before axe-core and before the Nu HTML checker.

Widths: WCAG 2.2 success criterion 1.4.10 (320 CSS pixels; here 360 as people's telephones have).  Keyboard and
skip link: 2.1.1, 2.4.1.  Contrast: 1.4.3 (4.5:1 for text), 1.4.11 (3:1 for parts of an interface).
"""

import re
from functools import cache

import pytest

import auditor
from auditor import pipeline
from auditor.report.html.pages import render_audit
from auditor.report.html.style import PALETTES
from tests.browser.browser import check_html, count_pages
from tests.browser.drawn import HOSTILE, audited, hostile_document
from tests.household.__main__ import CAPTURES
from tests.household.pictures import own_copy

HOME = CAPTURES / "good-vantage.home.yaml"


@cache
def pages() -> dict[str, str]:
    after = CAPTURES / "after-isolation-ipv6-open.pcapng"
    good = CAPTURES / "good-vantage.pcapng"
    return {
        "audit": auditor.audit([good], home=HOME).to_html(),
        "audit-everything": auditor.audit([CAPTURES / "everything-speaks.pcapng"]).to_html(),
        "audit-revealed": auditor.audit([good], home=HOME, reveal=True).to_html(),
        "audit-laptop": auditor.audit([CAPTURES / "laptop-on-wifi.pcapng"]).to_html(),
        "check": pipeline.check([good]).to_html(),
        "plan": pipeline.plan([good], home=HOME).to_html(),
        "compare": pipeline.compare(good, after, home=HOME).to_html(),
    }


NAMES = ("audit", "audit-everything", "audit-revealed", "audit-laptop", "check", "plan", "compare")


@cache
def crowded() -> str:
    """300 devices and 5,000 findings whose names act where something lets them."""
    document = own_copy(hostile_document())
    others = [device for device in document["devices"] if not device["is_chosen"]]
    document["devices"] += [
        {**others[0], "device_id": f"device-{number:04x}", "nickname": HOSTILE[number % len(HOSTILE)]}
        for number in range(300 - len(document["devices"]))
    ]
    finding = document["findings"][0]
    document["findings"] = [
        {
            **finding,
            "finding_id": f"{number:016x}",
            "summary": f"{HOSTILE[number % len(HOSTILE)]} {number}",
            "household": HOSTILE[(number + 1) % len(HOSTILE)],
        }
        for number in range(5_000)
    ]
    return render_audit(document)


@pytest.mark.parametrize("name", NAMES)
def test_a_page_asks_nobody_and_fits_a_telephone(browser, name):
    for width in (360, 800, 1280):
        seen = browser.look(pages()[name], width=width, whole=False)
        assert seen["requests"] == []
        assert seen["messages"] == []
        assert seen["overflow"] == 0, width


@pytest.mark.parametrize(
    ("name", "scheme"),
    [*((name, "light") for name in NAMES if name != "audit-everything"), ("audit", "dark")],
)
def test_a_page_breaks_no_rule_of_accessibility(browser, name, scheme):
    assert browser.violations(pages()[name], scheme=scheme) == []


@pytest.mark.usefixtures("browser")
def test_the_html_checker_has_no_complaint():
    broken = pages()["check"].replace("<main", "<main><img", 1)  # it does look
    told = check_html(broken, *pages().values(), crowded())
    assert told
    assert [message for message in told if not message.startswith("page-0.html:")] == []


def test_a_crowd_of_hostile_names_stays_text(browser):
    html = crowded()
    seen = browser.look(html, width=360, whole=False)
    assert seen["requests"] == []
    assert seen["messages"] == []
    assert seen["overflow"] == 0
    acting = "() => document.querySelectorAll('script, img, iframe, object, [onerror], [onclick]').length"
    assert browser.evaluate(html, acting)["value"] == 0
    rows = "() => [...document.querySelectorAll('#findings ~ details table')].at(-1).rows.length"
    assert browser.evaluate(html, rows)["value"] == 1 + 5_000 - 100
    assert browser.evaluate(html, "() => document.querySelectorAll('article').length")["value"] == 100
    assert "\x1b" not in html
    assert "\u202e" not in html


def test_the_report_reads_without_scripts_and_in_order(browser):
    """Landmarks once each (WAI-ARIA 1.2), headings without a step left out (WCAG 2.2 technique G141)."""
    html = pages()["audit"]
    outline = """() => ({
        levels: [...document.querySelectorAll('h1,h2,h3,h4')].map(one => +one.tagName[1]),
        titles: [...document.querySelectorAll('h2')].map(one => one.textContent),
        mains: document.querySelectorAll('main').length, navs: document.querySelectorAll('nav').length,
        bare: [...document.querySelectorAll('th')].filter(one => !one.scope).length,
        lone: [...document.querySelectorAll('a[href^="#"]')].filter(one => !document.querySelector(one.hash)).length,
        twice: [...document.querySelectorAll('[id]')].length - new Set([...document.querySelectorAll('[id]')]
            .map(one => one.id)).size,
    })"""
    found = browser.evaluate(html, outline)["value"]
    assert found["levels"][0] == 1
    assert all(
        after <= before + 1 for before, after in zip(found["levels"], found["levels"][1:], strict=False)
    )
    assert found["mains"] == found["navs"] == 1
    assert found["bare"] == found["lone"] == found["twice"] == 0
    assert "<script" not in html
    wanted = [
        "Verdict",
        "What this recording could show",
        "Devices",
        "Services",
        "Contacts",
        "Control",
        "Findings",
        "Plan",
        "Packets",
        "Method and limits",
        "Cautions",
    ]
    places = [
        next(place for place, title in enumerate(found["titles"]) if title.startswith(word))
        for word in wanted
    ]
    assert places == sorted(places)


def test_the_keyboard_reaches_the_report_and_opens_what_is_folded(browser):
    html = pages()["audit"]
    first, jumped = browser.press(html, ["Tab", "Enter"])
    assert first["text"] == "To the report"
    assert jumped["url"] == "#report"
    reached = browser.press(html, [*["Tab"] * 20, "Enter"])
    summary = next(place for place, one in enumerate(reached) if one["tag"] == "SUMMARY")
    closed, opened = browser.press(html, [*["Tab"] * (summary + 1), "Enter"])[-2:]
    assert (closed["open"], opened["open"]) == (False, True)


def test_each_sheet_of_a_revealed_report_says_so(browser, tmp_path):
    """Text of each sheet as another program (poppler) reads it."""
    import subprocess

    pdf = tmp_path / "revealed.pdf"
    pdf.write_bytes(browser.print(pages()["audit-revealed"]))
    text = subprocess.run(["pdftotext", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.split("\f")[:-1]
    assert len(sheets) == count_pages(pdf.read_bytes()) > 1
    assert all("Contains private data" in sheet for sheet in sheets)
    hidden = tmp_path / "hidden.pdf"
    hidden.write_bytes(browser.print(pages()["audit"]))
    told = subprocess.run(["pdftotext", str(hidden), "-"], capture_output=True, text=True, check=True).stdout
    assert "Contains private data" not in told


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first: str, second: str) -> float:
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_on_known_pairs():
    """Black on white is 21:1 (WCAG 2.2); #767676 on white is the well-known 4.54:1 (common practice)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", PALETTES)
def test_the_palette_has_contrast(scheme):
    palette = PALETTES[scheme]
    for behind in ("paper", "band"):
        for letters in ("ink", "quiet", "link"):
            assert contrast(palette[letters], palette[behind]) >= 4.5, (letters, behind)
    assert contrast(palette["line"], palette["paper"]) >= 3


def test_the_style_sheet_has_no_colour_of_its_own():
    from auditor.report.html.style import style_sheet

    properties = {colour for palette in PALETTES.values() for colour in palette.values()}
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", style_sheet())) == properties


@pytest.mark.parametrize(
    ("width", "scheme", "grey"), [(360, "light", False), (800, "dark", False), (1280, "light", False)]
)
def test_the_top_of_the_report_looks_as_it_did(browser, width, scheme, grey):
    seen = browser.look(pages()["audit"], width=width, height=1000, scheme=scheme, grey=grey, whole=False)
    browser.same_as_golden(f"report-{width}-{scheme}", seen["png"])


def test_the_report_on_grey_paper_looks_as_it_did(browser):
    seen = browser.look(pages()["audit"], width=680, height=1000, media="print", grey=True, whole=False)
    browser.same_as_golden("report-print-grey", seen["png"])


def test_same_recording_same_octets():
    again = auditor.audit([CAPTURES / "good-vantage.pcapng"], home=HOME).to_html()
    assert again == pages()["audit"]


def test_another_household_is_not_in_the_page():
    """Names that the recording holds of devices that are not judged (scenario S39)."""
    revealed = audited("good-vantage")
    assert revealed["redaction"]["applied"]
    report = auditor.audit([CAPTURES / "good-vantage.pcapng"], reveal=True)
    private = {
        word
        for device in report.document["devices"]
        if not device["is_chosen"]
        for word in (*device["hostnames"], *device["link_addresses"], *device["addresses"])
    }
    assert private
    shown = auditor.audit([CAPTURES / "good-vantage.pcapng"]).to_html()
    assert [word for word in private if word in shown] == []
