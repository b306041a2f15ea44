"""
Where a JSON text ends in a stream that holds one after the other.

Standard: RFC 8259 sections 2 and 7.  Senders put a line feed, CR LF, an octet 0 or nothing between two texts
(common practice; RFC 7464 defines a record separator, 0x1E).
"""

from __future__ import annotations

import re

from auditor.errors import LimitError, MalformedError, TruncatedError

MAX_TEXT_OCTETS = 49_152
"""Of one text: four times the largest state of a controller we know of, less than dispatch holds of one."""
MAX_NESTING = 64  # of brackets open at once: twice what the reader of names follows

SEPARATORS = b"\x00\x1e\n\r\t "
MARK = re.compile(rb'[{}\[\]]|"(?:[^"\\]|\\.)*("?)', re.DOTALL)


def end_of_text(octets: bytes) -> int:
    """
    Octets from the start to the end of the first object or array, its closing bracket included.

    Raises:
        MalformedError: what stands there is neither, or closes what is not open.
        LimitError: longer or deeper than the bounds.
        TruncatedError: the end is not there yet.
    """
    if octets[:1] not in (b"{", b"["):
        raise MalformedError("json_text", 0, "neither an object nor an array")
    closing = bytearray()
    for found in MARK.finditer(octets, 0, MAX_TEXT_OCTETS):  # each turn passes over an octet at least
        mark = octets[found.start()]
        if mark == 0x22:
            if not found[1]:
                break
        elif mark in b"{[":
            if len(closing) >= MAX_NESTING:
                raise LimitError("json_text", found.start(), f"nested deeper than {MAX_NESTING}")
            closing.append(mark + 2)  # ASCII: "}" is two behind "{", and "]" behind "["
        elif not closing or closing.pop() != mark:
            raise MalformedError("json_text", found.start(), "a bracket closes what is not open")
        elif not closing:
            return found.end()
    if len(octets) >= MAX_TEXT_OCTETS:
        raise LimitError("json_text", 0, f"no end within {MAX_TEXT_OCTETS} octets")
    raise TruncatedError("json_text", len(octets), "its end has not come")


def separators_at(octets: bytes, start: int) -> int:
    """Octets between two texts from ``start`` on."""
    return len(octets) - start - len(octets[start:].lstrip(SEPARATORS))
