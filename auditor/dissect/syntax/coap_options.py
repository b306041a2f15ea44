"""
Options of CoAP messages: numbers, deltas, lengths.

Standards: RFC 7252 section 3.1 (format), 5.10 (options), RFC 7959 section 2.2 (blocks), RFC 7641 (Observe),
           RFC 8613 section 2 (OSCORE); the IANA registry of option numbers (from memory).
"""

from __future__ import annotations

from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor

URI_HOST, OBSERVE, OSCORE, URI_PATH, CONTENT_FORMAT, URI_QUERY = 3, 6, 9, 11, 12, 15
BLOCK2, BLOCK1, PROXY_URI = 23, 27, 35
# RFC 7252 5.10, 7641, 7959, 8613, 7967 (258), 8768 (16), 9175 (252, 292), 8974 leaves numbers alone.
KNOWN = frozenset({1, 3, 4, 5, 6, 7, 8, 9, 11, 12, 14, 15, 16, 17, 20, 23, 27, 28, 35, 39, 60, 252, 258, 292})
PAYLOAD_MARKER = 0xFF

MAX_OPTIONS = 64  # a path of a dozen segments, a query of as many
MAX_OPTION_OCTETS = 1_034  # RFC 7252 5.10: the longest defined is Proxy-Uri

Options = list[tuple[int, bytes]]


def read_options(cursor: Cursor) -> Options:
    """
    Read options up to the payload marker, which is passed over, or the end.

    Raises:
        DecodeError: a reserved nibble, an option past the end, a marker without a payload.
    """
    options: Options = []
    number = 0
    while cursor.remaining:  # each turn reads an octet or more
        start = cursor.offset
        first = cursor.uint(1, "option_header")
        if first == PAYLOAD_MARKER:
            if not cursor.remaining:  # RFC 7252 section 3
                raise MalformedError("payload", cursor.offset, "a marker, and no payload")
            return options
        if len(options) >= MAX_OPTIONS:
            raise LimitError("options", start, f"more than {MAX_OPTIONS}")
        number += _extended(cursor, first >> 4, start, "option_delta")
        length = _extended(cursor, first & 0x0F, start, "option_length")
        if length > MAX_OPTION_OCTETS:
            raise LimitError("option_length", start, f"{length} > {MAX_OPTION_OCTETS}")
        options.append((number, cursor.take(length, "option_value")))
    return options


def are_known_options(octets: bytes, *, is_whole: bool) -> bool:
    """Whether octets are options of known numbers as far as they go; ``is_whole``: nothing follows."""
    cursor = Cursor(octets)
    number = 0
    while cursor.remaining:  # each turn reads an octet or more
        try:
            first = cursor.uint(1, "option_header")
            if first == PAYLOAD_MARKER:
                return cursor.remaining > 0 or not is_whole
            number += _extended(cursor, first >> 4, 0, "option_delta")
            length = _extended(cursor, first & 0x0F, 0, "option_length")
            if number not in KNOWN or length > MAX_OPTION_OCTETS:
                return False
            cursor.take(length, "option_value")
        except TruncatedError:
            return not is_whole
        except DecodeError:
            return False
    return True


def first_of(options: Options, number: int) -> bytes | None:
    """Value of the first option of that number."""
    return next((value for found, value in options if found == number), None)


def unsigned(value: bytes | None) -> int | None:
    """An option of format uint (RFC 7252 3.2); None where it is absent or longer than four octets."""
    return int.from_bytes(value, "big") if value is not None and len(value) <= 4 else None


def _extended(cursor: Cursor, nibble: int, at: int, field: str) -> int:
    """A delta or a length with its extension (RFC 7252 3.1)."""
    if nibble < 13:
        return nibble
    if nibble == 13:
        return cursor.uint(1, field) + 13
    if nibble == 14:
        return cursor.uint(2, field) + 269
    raise MalformedError(field, at, "15 is reserved")
