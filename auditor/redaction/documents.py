"""
The two sides of the gate as types: what is known, and what may be shown.

Every output is made from a ``ShownDocument``, which the gate alone makes.  What
it is made from is a ``RawDocument``, which no output can print by mistake: it
is no mapping, its text forms are one fixed text, and JSON, iteration, copying
and pickling are refused.
"""

from __future__ import annotations

from typing import Any, NoReturn

Document = dict[str, Any]

HELD_BACK = "(unredacted document)"
"""All that a raw document says of itself."""

_GATE = object()


class RawDocument:
    """A document that holds private data; only ``open_raw`` opens it."""

    __slots__ = ("_content",)

    def __init__(self, content: Document) -> None:
        self._content = content

    def __repr__(self) -> str:
        return HELD_BACK

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return format(HELD_BACK, spec)

    def _refuse(self, *_: object) -> NoReturn:
        raise TypeError("a raw document passes the redaction before anything is read from it")

    __iter__ = __getitem__ = __len__ = __contains__ = __reduce_ex__ = __reduce__ = __copy__ = _refuse
    __deepcopy__ = _refuse


class ShownDocument(Document):
    """A document that passed the gate: redacted, or marked as revealed."""

    def __init__(self, content: Document, *, made_by: object = None) -> None:
        if made_by is not _GATE:
            raise TypeError("only the redaction makes a document that may be shown")
        super().__init__(content)

    def without_plan(self) -> ShownDocument:
        """The same document with ``plan`` null."""
        return let_pass({**self, "plan": None})

    def __reduce_ex__(self, _: object) -> NoReturn:
        raise TypeError("a document that may be shown is written as JSON, not pickled")


def open_raw(raw: RawDocument) -> Document:
    """The content, private data and all; for the gate and for tests of what is behind it."""
    return raw._content  # noqa: SLF001 - the one way in


def let_pass(content: Document) -> ShownDocument:
    """Mark a content as fit to be shown; for the gate alone."""
    return ShownDocument(content, made_by=_GATE)


def require_shown(document: object) -> None:
    """Raise ``TypeError`` for anything that did not pass the gate; every renderer asks this first."""
    if not isinstance(document, ShownDocument):
        raise TypeError("expected a document that passed the redaction")
