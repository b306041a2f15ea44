"""
What IGMP and MLD say alike: who joins, leaves or asks for which groups.

Standards: RFC 3376 section 4.2.12 and RFC 3810 section 5.2.12 (record types, equal in both).
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct

from auditor.addresses import Address
from auditor.dissect.message import Message
from auditor.errors import TruncatedError
from auditor.value_class import value_class

MODE_IS_INCLUDE = 1
CHANGE_TO_INCLUDE = 3
BLOCK_OLD_SOURCES = 6
RECORD_TYPES = range(1, 7)


@value_class
class GroupMembership(Message):
    """A query, report or leave."""

    kind: str
    """``query``, ``report``, ``leave``."""
    version: int
    groups: tuple[Address, ...]
    """Groups joined (report), left (leave) or asked for (query; empty: all)."""
    left_groups: tuple[Address, ...] = ()
    """Groups left in a report that joins others as well."""


def read_report(
    data: bytes, *, version: int, offset: int, octets: int, field: str, address_of: Callable[[bytes], Address]
) -> GroupMembership:
    """
    Read the records of a report; ``data`` bounds them, each takes at least four octets and an address.

    ``offset``: of the first record.  ``octets``: of one address.  ``address_of``
    turns those octets into an address.

    Raises:
        DecodeError: the message ends inside a record.
    """
    record = Struct(f">BBH{octets}s")
    joined: list[Address] = []
    left: list[Address] = []
    for _ in range(int.from_bytes(data[6:8], "big")):
        if offset + record.size > len(data):
            problem = f"needs {record.size} octets, {len(data) - offset} remain"
            raise TruncatedError(field, offset, problem)
        kind, auxiliary, sources, group = record.unpack_from(data, offset)
        after = offset + record.size + octets * sources + 4 * auxiliary
        if after > len(data):
            raise TruncatedError(field, offset, f"{sources} sources and {auxiliary} words")
        # Unknown types are passed over; an include list without sources wants nothing any more.
        if kind in (MODE_IS_INCLUDE, CHANGE_TO_INCLUDE) and not sources:
            left.append(address_of(group))
        elif kind in RECORD_TYPES and kind != BLOCK_OLD_SOURCES:
            joined.append(address_of(group))
        offset = after
    return GroupMembership(
        length=len(data),
        kind="leave" if left and not joined else "report",
        version=version,
        groups=tuple(joined or left),
        left_groups=tuple(left) if joined else (),
    )
