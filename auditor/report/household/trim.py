"""Cut a text to a room that it has on paper."""

from __future__ import annotations

from auditor.report.harmless import harmless_text

ELLIPSIS = "…"


def trim(text: str, most: int) -> str:
    """At most ``most`` characters, cut behind a word, harmless; the mark says that more was there."""
    whole = harmless_text(text)
    if len(whole) <= most:
        return whole
    cut = whole[: most - 1]
    if whole[most - 1].isalnum():
        head, space, _ = cut.rpartition(" ")
        cut = head if space and len(head) > most // 2 else cut
    return cut.rstrip(" .,;:") + ELLIPSIS
