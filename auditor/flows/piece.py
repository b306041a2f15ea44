"""Octets of one segment, as a ``ByteStream`` holds them."""

from __future__ import annotations

from typing import NamedTuple

from auditor.flows.flow import PacketReference


class Piece(NamedTuple):
    """Octets of one segment."""

    position: int
    """Of the first octet, counted from the first octet recorded; no wrap-around."""
    octets: bytes
    packet: PacketReference
    timestamp_ns: int

    @property
    def end(self) -> int:
        """Position behind the last octet."""
        return self.position + len(self.octets)

    def cut(self, start: int, end: int) -> Piece:
        """The part between two positions, both inside."""
        octets = self.octets[start - self.position : end - self.position]
        return Piece(start, octets, self.packet, self.timestamp_ns)
