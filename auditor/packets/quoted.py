"""
The packet that an ICMP error message quotes.

Standards: RFC 792 (the header and 64 bits of the datagram), RFC 1812 section
           4.3.2.3 (as much as fits), RFC 4443 section 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.packets.batch import (
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    Int64Column,
    PacketBatch,
    UInt8Column,
    UInt16Column,
    UInt64Column,
)
from auditor.packets.network import decode_network
from auditor.packets.view import HeaderView

# Destination Unreachable, Source Quench, Redirect, Time Exceeded, Parameter Problem (RFC 792).
ICMP_ERRORS = (3, 4, 5, 11, 12)
ICMPV6_ERRORS_BELOW = 128  # RFC 4443 2.1: error messages have a type of 0 to 127
QUOTE_AT = 8  # both families: behind type, code, checksum and four octets
PORTS = np.dtype([("source", ">u2"), ("destination", ">u2")])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuotedColumns:
    """One entry an error message that quotes a packet; other packets asked about have none."""

    index: Int64Column
    """Row of the error message in the batch."""
    ip_version: UInt8Column
    """4 or 6."""
    type: UInt8Column
    code: UInt8Column
    source_high: UInt64Column
    """Of the quoted packet, as all columns below."""
    source_low: UInt64Column
    destination_high: UInt64Column
    destination_low: UInt64Column
    protocol: UInt8Column
    source_port: UInt16Column
    """TCP and UDP; else, or where the quote is too short, 0."""
    destination_port: UInt16Column

    def __len__(self) -> int:
        return len(self.index)


def decode_quoted(batch: PacketBatch, indices: Int64Column) -> QuotedColumns:
    """Decode what the error messages among the packets ``indices`` of ``batch`` quote."""
    rows = np.asarray(indices, np.int64)
    rows = rows[batch.payload_length[rows] > QUOTE_AT]
    kind = batch.source_port[rows]
    is4 = (batch.protocol[rows] == PROTOCOL_ICMP) & np.isin(kind, ICMP_ERRORS) & (batch.ip_version[rows] == 4)
    is6 = (
        (batch.protocol[rows] == PROTOCOL_ICMPV6)
        & (kind < ICMPV6_ERRORS_BELOW)
        & (batch.ip_version[rows] == 6)
    )
    rows, is4 = rows[is4 | is6], is4[is4 | is6]
    view = HeaderView(batch.buffer)
    at = batch.payload_offset[rows] + QUOTE_AT
    end = batch.payload_offset[rows] + batch.payload_length[rows]
    ethertype = np.where(is4, ETHERTYPE_IPV4, ETHERTYPE_IPV6)
    network = decode_network(view, ethertype, at, end, end, np.zeros(len(rows), np.uint8))
    read = network.version != 0
    protocol = network.protocol
    has_ports = (protocol == PROTOCOL_TCP) | (protocol == PROTOCOL_UDP)
    has_ports &= (network.transport >= 0) & (network.transport + PORTS.itemsize <= end)
    ports = view.take(np.where(has_ports, network.transport, end), PORTS)
    return QuotedColumns(
        index=rows[read],
        ip_version=network.version[read],
        type=batch.source_port[rows][read].astype(np.uint8),
        code=batch.destination_port[rows][read].astype(np.uint8),
        source_high=network.source_high[read],
        source_low=network.source_low[read],
        destination_high=network.destination_high[read],
        destination_low=network.destination_low[read],
        protocol=protocol[read],
        source_port=(ports["source"] * has_ports)[read],
        destination_port=(ports["destination"] * has_ports)[read],
    )
