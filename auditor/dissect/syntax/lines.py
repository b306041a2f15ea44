"""Lines of protocols that are spoken in text."""

from __future__ import annotations

from auditor.errors import LimitError, TruncatedError

MAX_LINE_OCTETS = 4_096
"""RFC 5321 4.5.3.1 allows 512, RFC 959 sets no limit; a path may have 4 095 octets (common practice)."""


def take_line(octets: bytes, field: str, *, ended: bool = False) -> tuple[bytes, int]:
    """
    The first line without its end, and where the next one begins.

    ``ended``: nothing will follow, so that the last line needs no end.

    Raises:
        TruncatedError: the line's end has not come.
        LimitError: it is longer than ``MAX_LINE_OCTETS``.
    """
    end = octets.find(b"\n", 0, MAX_LINE_OCTETS)
    if end >= 0:
        return octets[:end].removesuffix(b"\r"), end + 1
    if len(octets) >= MAX_LINE_OCTETS:
        raise LimitError(field, 0, f"no end within {MAX_LINE_OCTETS} octets")
    if ended and octets:
        return octets, len(octets)
    raise TruncatedError(field, len(octets), "the line's end has not come")
