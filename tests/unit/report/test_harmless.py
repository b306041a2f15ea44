"""
Recorded names that act on terminals, viewers and spreadsheets.

Oracles: unicodedata (Unicode categories), markdown-it-py (a CommonMark parser,
a general-purpose library): what it shows of an escaped name is the name.
"""

from __future__ import annotations

import html
import re
import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from auditor.report.harmless import (
    MAX_SHOWN_CHARACTERS,
    encode_for,
    harmless_cell,
    harmless_markdown,
    harmless_text,
)

any_text = st.text(st.characters(), max_size=60)


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        pytest.param(
            "\x1b[2J\x1b]0;title\x07", "\\x1b[2J\\x1b]0;title\\x07", id="terminal-escape"
        ),  # ECMA-48
        pytest.param("a\x9b31mb", "a\\x9b31mb", id="c1-control-sequence-introducer"),  # ECMA-48 8.3.16
        pytest.param("lamp\nFindings (0)", "lamp\\x0aFindings (0)", id="newline"),
        pytest.param("a\rb\tc\x00d\x7f", "a\\x0db\\x09c\\x00d\\x7f", id="other-c0-and-delete"),
        pytest.param("gpj\u202eexe.", "gpj\\u202eexe.", id="right-to-left-override"),  # UAX 9
        pytest.param("a\u2066b\u2069", "a\\u2066b\\u2069", id="isolates"),
        pytest.param("la\u200bmp\ufeff", "la\\u200bmp\\ufeff", id="zero-width"),
        pytest.param("a\u2028b\u2029c", "a\\u2028b\\u2029c", id="line-and-paragraph-separator"),
        pytest.param("a\U000e0041", "a\\U000e0041", id="tag-character"),
        pytest.param("a\ud800b", "a\\ud800b", id="lone-surrogate"),
    ],
)
def test_what_acts_becomes_visible(hostile: str, shown: str) -> None:
    assert harmless_text(hostile) == shown


@given(any_text)
def test_nothing_that_acts_is_left(text: str) -> None:
    shown = harmless_text(text)
    assert not {unicodedata.category(one) for one in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


@pytest.mark.parametrize("name", ["Küche", "寝室のライト", "غرفة", "शेल्फ", "Nightstand 💡"])
def test_names_of_all_scripts_stay(name: str) -> None:
    assert harmless_text(name) == name


def test_a_pile_of_combining_marks_is_spelt_out() -> None:
    assert harmless_text("a" + "\u0300" * 5) == "a" + "\u0300" * 3 + "\\u0300\\u0300"


def test_an_endless_name_is_cut_and_the_rest_counted() -> None:
    shown = harmless_text("x" * (MAX_SHOWN_CHARACTERS + 5))
    assert shown.endswith("... (5 more characters)")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", " ="])
def test_a_formula_is_quoted_in_a_cell(start: str) -> None:
    # Common practice: a spreadsheet takes a leading apostrophe as "this is text".
    assert harmless_cell(f"{start}HYPERLINK(1)").startswith("'")
    assert harmless_cell("lamp=1") == "lamp=1"


COMMONMARK = MarkdownIt("commonmark").enable("table")


def shown_by_commonmark(source: str) -> tuple[str, set[str]]:
    """The text that a viewer shows, and the elements it makes of the source."""
    page = COMMONMARK.render(source)
    return html.unescape(re.sub(r"<[^>]*>", "", page)), set(re.findall(r"<(\w+)", page))


@given(any_text)
@example("# a")
@example("1. a")
@example("- [x](http://evil.example) ![i](u) <b>&amp; `c` **d** _e_ ~~f~~ | g")
@example("---")
@example("***")
@example("\\")
@example("a  ")
@example("&copy;")
@example("=====")
def test_a_name_in_markdown_is_shown_as_it_stands(text: str) -> None:
    shown, elements = shown_by_commonmark(f"- {harmless_markdown(text)}\n")
    expected = harmless_text(text)
    assert " ".join(shown.split()) == " ".join(expected.split())
    assert elements <= {"ul", "li"}


@given(any_text)
def test_a_name_never_breaks_out_of_a_table_cell(text: str) -> None:
    cell = harmless_markdown(harmless_cell(text))
    page = COMMONMARK.render(f"| a | b |\n| --- | --- |\n| {cell} | end |\n")
    assert page.count("<td>") == 2
    assert "<td>end</td>" in page


def test_links_do_not_make_themselves() -> None:
    # GitHub Flavored Markdown section 6.9: bare "http://", "www." and "@" become links there.
    assert harmless_markdown("http://a.example www.a.example x@a.example") == (
        "http\\://a.example www\\.a.example x&#64;a.example"
    )


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "utf-8", None, "no-such-encoding"])
def test_every_encoding_gets_the_whole_text(encoding: str | None) -> None:
    octets = encode_for("yes \u2713 a \u2192 b \u2014 \u5bdd", encoding)
    text = octets.decode(
        "ascii" if encoding in (None, "no-such-encoding") and octets.isascii() else encoding or "utf-8"
    )
    assert text in {"yes yes a -> b - \\u5bdd", "yes \u2713 a \u2192 b \u2014 \u5bdd"}
