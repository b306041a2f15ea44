"""The sentences for the household, and every translation against the first language."""

import pytest

from auditor.errors import UsageError
from auditor.report.catalogue import FIRST_LANGUAGE, fields_of, languages, load_catalogue
from auditor.ruleset.loader import load_rules

FIRST = load_catalogue()
RULE_SENTENCES = {
    f"rule.{rule.rule_id}.{part}"
    for rule in load_rules([]).rules
    for part in ("household", "do", "stops", "undo")
}
"""English says them in the rules; every other language in its own file."""


@pytest.mark.parametrize("language", languages())
def test_a_language_says_all_and_nothing_else(language):
    other = load_catalogue(language)
    own = set() if language == FIRST_LANGUAGE else RULE_SENTENCES
    assert other.sentences.keys() == FIRST.sentences.keys() | own
    assert all(other.sentences.values())


@pytest.mark.parametrize("language", languages())
def test_a_sentence_keeps_the_fields_of_the_first_language(language):
    other = load_catalogue(language)
    wrong = {
        key for key, text in FIRST.sentences.items() if fields_of(text) != fields_of(other.sentences[key])
    }
    assert not wrong


def test_the_first_language_comes_first():
    assert languages()[0] == FIRST_LANGUAGE


def test_an_unknown_language_is_a_mistake_of_the_user():
    with pytest.raises(UsageError, match=r"expected en.*found 'xx'"):
        load_catalogue("xx")


def test_fields_are_filled_in():
    assert fields_of("{who} does {what}") == {"who", "what"}
