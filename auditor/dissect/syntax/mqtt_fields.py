"""
The types of data in MQTT control packets, and the properties of version 5.0.

Standards: MQTT Version 3.1.1 section 1.5 and 2.2.3, Version 5.0 section 1.5 and 2.2.2 (OASIS Standards,
           29 October 2014 and 7 March 2019).
"""

from __future__ import annotations

from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor

# 5.0 section 2.2.2.2, table 2-4: identifier and type of each property.
ONE_OCTET = frozenset({0x01, 0x17, 0x19, 0x24, 0x25, 0x28, 0x29, 0x2A})
TWO_OCTETS = frozenset({0x13, 0x21, 0x22, 0x23})
FOUR_OCTETS = frozenset({0x02, 0x11, 0x18, 0x27})
VARIABLE_INTEGER = frozenset({0x0B})
WITH_LENGTH = frozenset({0x03, 0x08, 0x09, 0x12, 0x15, 0x16, 0x1A, 0x1C, 0x1F})
PAIR_OF_STRINGS = 0x26
ASSIGNED_CLIENT_IDENTIFIER, AUTHENTICATION_METHOD, SERVER_REFERENCE, TOPIC_ALIAS = 0x12, 0x15, 0x1C, 0x23

MAX_PROPERTIES = 128  # table 2-4 has 27; a packet may repeat the user property


def variable_integer(cursor: Cursor, field: str) -> int:
    """Read a length of one to four octets (3.1.1 section 2.2.3)."""
    start, value = cursor.offset, 0
    for shift in (0, 7, 14, 21):
        octet = cursor.uint(1, field)
        value |= (octet & 0x7F) << shift
        if not octet & 0x80:
            return value
    raise MalformedError(field, start, "more than four octets")


def binary(cursor: Cursor, field: str) -> bytes:
    """Read octets with a two-octet length (3.1.1 section 3.1.3.5)."""
    return cursor.take(cursor.uint(2, field), field)


def string(cursor: Cursor, field: str) -> str:
    """Read a UTF-8 string with a two-octet length (3.1.1 section 1.5.3)."""
    start = cursor.offset
    try:
        return binary(cursor, field).decode("utf-8")
    except UnicodeDecodeError:
        raise MalformedError(field, start, "not UTF-8 [MQTT-1.5.3-1]") from None


def properties(cursor: Cursor, field: str) -> dict[int, bytes]:
    """
    Read a property list (5.0 section 2.2.2): the value of each property as octets, the first of each.

    Raises:
        DecodeError: the list, or a property in it, does not fit its length; an identifier is not known.
    """
    found: dict[int, bytes] = {}
    inner = cursor.block(variable_integer(cursor, field), field)
    for _ in range(MAX_PROPERTIES):
        if not inner.remaining:
            return found
        start = inner.offset
        identifier = inner.uint(1, field)  # all assigned ones fit the one-octet form of their type
        try:
            value = _value(inner, identifier, field, start)
        except TruncatedError as error:
            raise MalformedError(field, error.offset, "runs past its list") from None
        found.setdefault(identifier, value)
    raise LimitError(field, inner.offset, f"more than {MAX_PROPERTIES}")


def _value(inner: Cursor, identifier: int, field: str, start: int) -> bytes:
    for size, identifiers in ((1, ONE_OCTET), (2, TWO_OCTETS), (4, FOUR_OCTETS)):
        if identifier in identifiers:
            return inner.take(size, field)
    if identifier in WITH_LENGTH:
        return binary(inner, field)
    if identifier in VARIABLE_INTEGER:
        return variable_integer(inner, field).to_bytes(4, "big")
    if identifier == PAIR_OF_STRINGS:
        binary(inner, field)
        binary(inner, field)
        return b""
    raise MalformedError(field, start, f"property 0x{identifier:02x}")
