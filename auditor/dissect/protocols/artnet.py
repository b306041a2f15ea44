"""
Art-Net.

Standard: Art-Net 4 as published by its owner (field tables from memory and from open-source libraries).
Reads:    UDP payload.
Keeps:    header fields and names; no levels.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import Address
from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtNetMessage(Message):
    """Any Art-Net packet; the fields of its operation are filled."""

    operation: int
    """OpCode: 0x2000 poll, 0x2100 poll reply, 0x5000 data, 0x6000 address, 0xf200 firmware, 0xf800 IP settings …"""
    effect: str
    """``read`` (poll), ``announce`` (poll reply), ``light`` (data, sync), ``configuration`` (address, input, IP settings
    that program something, time code excluded), ``firmware``, ``other``."""
    universe: int | None = None
    """15-bit port-address of data."""
    slots: int | None = None
    sequence: int | None = None
    short_name: str | None = None
    """Poll reply."""
    long_name: str | None = None
    node_address: Address | None = None
    """Poll reply."""
    node_link: bytes | None = None
    """Poll reply: six octets where sent."""
    firmware_version: int | None = None
