"""
Group membership: MLD versions 1 and 2.

Standards: RFC 2710, RFC 3810 section 5.
Reads:     the ICMPv6 message of types 130 to 132 and 143.
Keeps:     everything.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import Address
from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupMembership(Message):
    """A query, report or leave."""

    kind: str
    """``query``, ``report``, ``leave``."""
    version: int
    groups: tuple[Address, ...]
    """Groups joined (report), left (leave) or asked for (query; empty: all)."""
