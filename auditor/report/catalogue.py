"""
Sentences of the pages for the household, one file a language.

``languages/en.yaml`` is the one that all others are measured by: a language has
its keys, no other ones, and the fields in braces that the English sentence has.
A translation is one file; nothing else in the program speaks to the household.
"""

from __future__ import annotations

import string
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from auditor.errors import SettingsError, UsageError
from auditor.settings.problems import Problems, shown
from auditor.settings.typed import list_words, read_text
from auditor.settings.yaml_text import Mapping, parse_yaml, read_octets

FIRST_LANGUAGE = "en"
MAX_SENTENCE_CHARACTERS = 600
"""One sentence, with room for languages that need half as much again."""
_FOLDER = files("auditor.report") / "languages"


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Sentences of one language."""

    language: str
    """BCP 47 tag, as HTML's ``lang`` wants it."""
    sentences: dict[str, str]

    def say(self, key: str, **fields: object) -> str:
        """The sentence with its fields filled in; ``KeyError`` for a key or field that is a fault of ours."""
        return self.sentences[key].format(**fields) if fields else self.sentences[key]

    def count(self, key: str, number: int, **fields: object) -> str:
        """Of ``key.one`` and ``key.other`` the one that fits; ``{number}`` is filled in."""
        return self.say(f"{key}.{'one' if number == 1 else 'other'}", number=number, **fields)

    def has(self, key: str) -> bool:
        """Whether the language says this by itself."""
        return key in self.sentences


def languages() -> tuple[str, ...]:
    """Tags of the languages that are shipped, the first one first."""
    names = {entry.name.removesuffix(".yaml") for entry in _FOLDER.iterdir() if entry.name.endswith(".yaml")}
    return (FIRST_LANGUAGE, *sorted(names - {FIRST_LANGUAGE}))


@cache
def load_catalogue(language: str = FIRST_LANGUAGE) -> Catalogue:
    """Load a shipped language; ``UsageError`` names the nearest one for an unknown tag."""
    known = languages()
    if language not in known:
        raise UsageError("--language", f"expected {list_words(known)}, found {shown(language)}")
    problems = Problems()
    name = f"{language}.yaml"
    octets = read_octets(_FOLDER / name, name, problems)
    node = None if octets is None else parse_yaml(octets, name, problems)
    sentences = {}
    if isinstance(node, Mapping):
        for key, value in node.entries:
            text = read_text(value, problems, what=f"the sentence {key.text!r}", most=MAX_SENTENCE_CHARACTERS)
            sentences[key.text] = text or ""
    problems.raise_as(SettingsError)
    return Catalogue(language=language, sentences=sentences)


def fields_of(sentence: str) -> frozenset[str]:
    """Names in braces, for whoever checks a translation."""
    return frozenset(name for _, name, _, _ in string.Formatter().parse(sentence) if name)
