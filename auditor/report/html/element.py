"""
HTML elements whose texts cannot act: everything that is not ``Html`` already is escaped.

A template engine would bring a second language for a dozen elements; here a
text that was forgotten is escaped, and markup has a type of its own.
"""

from __future__ import annotations

import html
import unicodedata
from collections.abc import Iterable

from auditor.report.harmless import harmless_text

VOID = frozenset({"br", "hr", "link", "meta"})
"""Elements without an end tag (HTML Living Standard section 13.1.2)."""


class Html(str):
    """Markup that this package made."""

    __slots__ = ()


Child = str | Html | None


def tag(name: str, /, *children: Child, **attributes: str | bool | None) -> Html:
    """
    One element.

    ``children``: texts, escaped and harmless, or markup; None is left out.
    ``attributes``: ``class_`` becomes ``class``, other underscores hyphens; True stands
    for an attribute without a value, None and False leave it out.
    """
    written = "".join(_attribute(key, value) for key, value in attributes.items())
    if name in VOID:
        return Html(f"<{name}{written}>")
    inner = "".join(_content(child) for child in children if child is not None)
    return Html(f"<{name}{written}>{inner}</{name}>")


def join(parts: Iterable[Child]) -> Html:
    """Parts one behind the other; texts among them are escaped."""
    return Html("".join(_content(part) for part in parts if part is not None))


def _content(child: str) -> str:
    return child if isinstance(child, Html) else escape(child)


def escape(text: str) -> str:
    """
    A text as content or attribute value.

    Right-to-left letters of a recorded name must not turn the sentence around
    (Unicode Standard Annex 9): a text that holds any is isolated.
    """
    shown = html.escape(harmless_text(text), quote=True)
    return f"\u2068{shown}\u2069" if _turns(shown) else shown


def _turns(text: str) -> bool:
    return not text.isascii() and any(
        unicodedata.bidirectional(character) in {"R", "AL"} for character in text
    )


def _attribute(key: str, value: str | bool | None) -> str:
    name = key.rstrip("_").replace("_", "-")
    if value is None or value is False:
        return ""
    return f" {name}" if value is True else f' {name}="{escape(value)}"'
