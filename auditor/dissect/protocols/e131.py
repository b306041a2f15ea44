"""
E1.31: lighting data over sACN.

Standard: ANSI E1.31-2018 sections 4 to 8 (tables as quoted in an open-source library's tests; not read in the original).
Reads:    UDP payload.
Keeps:    header fields; no levels.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class E131Data(Message):
    """A data packet (section 6)."""

    sender_identifier: bytes
    """CID, 16 octets."""
    source_name: str
    priority: int
    """0 to 200."""
    universe: int
    """1 to 63999."""
    sequence: int
    is_preview: bool
    is_terminated: bool
    slots: int
    """Property values behind the start code."""
    start_code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class E131Synchronization(Message):
    """A synchronization packet (section 6.3)."""

    sender_identifier: bytes
    universe: int
    """Synchronization address."""
    sequence: int


@dataclass(frozen=True, slots=True, kw_only=True)
class E131Discovery(Message):
    """A universe discovery packet (section 8)."""

    sender_identifier: bytes
    source_name: str
    universes: tuple[int, ...]
    page: int
    last_page: int
