"""
Group membership: IGMP versions 1 to 3.

Standards: RFC 1112 appendix I, RFC 2236, RFC 3376 section 4 (as restated by RFC 9776).
Reads:     the IGMP message.
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
