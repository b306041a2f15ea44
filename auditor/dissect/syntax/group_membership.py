"""
What IGMP and MLD say alike: who joins, leaves or asks for which groups.

Standards: RFC 3376 section 4.2.12 and RFC 3810 section 5.2.12 (record types, equal in both).
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import Address
from auditor.dissect.message import Message

MODE_IS_INCLUDE = 1
CHANGE_TO_INCLUDE = 3
BLOCK_OLD_SOURCES = 6
RECORD_TYPES = range(1, 7)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupMembership(Message):
    """A query, report or leave."""

    kind: str
    """``query``, ``report``, ``leave``."""
    version: int
    groups: tuple[Address, ...]
    """Groups joined (report), left (leave) or asked for (query; empty: all)."""
    left_groups: tuple[Address, ...] = ()
    """Groups left in a report that joins others as well."""
