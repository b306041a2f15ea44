"""
How easily the household's sentences read.

English: R. Flesch, "A New Readability Yardstick", Journal of Applied Psychology
32 (1948): 206.835 - 1.015 words per sentence - 84.6 syllables per word.  German: T.
Amstad, "Wie verständlich sind unsere Zeitungen?" (1978): 180 - words per sentence
- 58.5 syllables per word.  Both figures from memory of the published formulas.
Syllables by the hyphenation patterns of pyphen (the patterns of LibreOffice).
"""

import re

import pyphen
import pytest

from auditor.report.catalogue import load_catalogue
from auditor.ruleset.loader import load_rules

FORMULAS = {"en": (206.835, 1.015, 84.6), "de": (180.0, 1.0, 58.5)}
LEAST = {"en": 45.0, "de": 40.0}
"""For one sentence.  Flesch calls 50 to 60 "fairly difficult" and 60 to 70 "standard" for whole texts; a single
sentence of eight words swings by ten with one long word, and "recording" and "internet" cannot be avoided."""
LEAST_OF_ALL = {"en": 65.0, "de": 60.0}
"""For all of them together: standard."""
MIN_WORDS = 4  # a label is no sentence


def sentences(language):
    words = load_catalogue(language).sentences
    found = {
        key: text for key, text in words.items() if key.startswith("page.") or key.endswith(".household")
    }
    if language == "en":
        for rule in load_rules([]):
            found[f"rule.{rule.rule_id}"] = "".join(
                part if isinstance(part, str) else "lamp" for part in rule.household.parts
            )
    plain = {key: re.sub(r"'auditor recipe'|\{[a-z]+\}", "lamp", text) for key, text in found.items()}
    return {key: text for key, text in plain.items() if len(text.split()) >= MIN_WORDS}


def reading_ease(text, language):
    hyphens = pyphen.Pyphen(lang={"en": "en_US", "de": "de_DE"}[language], left=1, right=1)
    words = re.findall(r"[^\W\d_]+", text)
    parts = [part for part in re.split(r"[.!?:;]+(?:\s|$)", text) if part.strip()]
    syllables = sum(len(hyphens.positions(word)) + 1 for word in words)
    constant, per_sentence, per_word = FORMULAS[language]
    return constant - per_sentence * len(words) / len(parts) - per_word * syllables / len(words)


def test_the_formula_is_the_published_one():
    """One sentence of ten words of one syllable: 206.835 - 10.15 - 84.6."""
    assert reading_ease("The cat sat on the mat and ate the rat.", "en") == pytest.approx(112.085)


@pytest.mark.parametrize("language", FORMULAS)
def test_every_sentence_for_the_household_reads_easily(language):
    hard = {
        key: (round(ease), text)
        for key, text in sentences(language).items()
        if (ease := reading_ease(text, language)) < LEAST[language]
    }
    assert hard == {}


@pytest.mark.parametrize("language", FORMULAS)
def test_together_they_read_as_ordinary_prose(language):
    whole = " ".join(
        text if text.endswith((".", "?")) else f"{text}." for text in sentences(language).values()
    )
    assert reading_ease(whole, language) >= LEAST_OF_ALL[language]


@pytest.mark.parametrize("word", ["hacked", "spying", "secure", "safe", "unsafe", "VLAN", "endpoint", "N/A"])
def test_words_that_frighten_or_need_a_course_are_not_used(word):
    """Needs section 6: words to avoid."""
    whole = " ".join(text for key, text in load_catalogue("en").sentences.items() if key.startswith("page."))
    assert not re.search(rf"\b{re.escape(word)}\b", whole, re.IGNORECASE)
