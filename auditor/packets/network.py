"""
Network headers: IPv4, IPv6 with its extension headers, ARP.

Standards: RFC 791 section 3.1, RFC 8200 sections 3 and 4, RFC 4302 section 2
           (Authentication Header length), RFC 7045 section 2 and RFC 5533,
           RFC 7401, RFC 6275 (which protocol numbers are extension headers),
           RFC 826 and RFC 5494 (ARP).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import (
    ETHERTYPE_ARP,
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    FIRST_FRAGMENT,
    LATER_FRAGMENT,
    SHORT_HEADERS,
    Int64Column,
    UInt8Column,
    UInt16Column,
    UInt32Column,
    UInt64Column,
)
from auditor.packets.view import MAPPED_LOW, MAPPED_SHIFT, NO_OFFSET, HeaderView

IPV4 = np.dtype(
    [("version", "u1"), ("service", "u1"), ("length", ">u2"), ("identification", ">u2"), ("fragment", ">u2"),
     ("hops", "u1"), ("protocol", "u1"), ("checksum", ">u2"), ("source", "<u4"), ("destination", "<u4")]
)  # fmt: skip
IPV6 = np.dtype(
    [("version", "u1"), ("class", "u1"), ("label", ">u2"), ("length", ">u2"), ("next", "u1"), ("hops", "u1"),
     ("source_high", "<u8"), ("source_low", "<u8"), ("destination_high", "<u8"), ("destination_low", "<u8")]
)  # fmt: skip
EXTENSION = np.dtype([("next", "u1"), ("length", "u1"), ("fragment", ">u2"), ("identification", ">u4")])
ARP = np.dtype(
    [("hardware", ">u2"), ("protocol", ">u2"), ("hardware_length", "u1"), ("protocol_length", "u1"),
     ("operation", ">u2"), ("sender_link", "V6"), ("sender", "<u4"), ("target_link", "V6"), ("target", "<u4")]
)  # fmt: skip

IPV4_OCTETS, IPV6_OCTETS, ARP_OCTETS = 20, 40, 28
MORE_FRAGMENTS, FRAGMENT_OFFSET = 0x2000, 0x1FFF
FRAGMENT6_OFFSET, MORE_FRAGMENTS6 = 0xFFF8, 0x0001

FRAGMENT_HEADER, AUTHENTICATION_HEADER, NO_NEXT_HEADER = 44, 51, 59
# Hop-by-Hop, Routing, Fragment, Authentication, Destination Options, Mobility, Host Identity, Shim6.
IS_EXTENSION = np.zeros(256, np.bool_)
IS_EXTENSION[[0, 43, 44, 51, 60, 135, 139, 140]] = True
# RFC 8200 section 4.1 recommends an order in which each stands once, Destination Options twice.
MAX_EXTENSION_HEADERS = 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkColumns:
    """One entry a packet."""

    version: UInt8Column
    source_high: UInt64Column
    source_low: UInt64Column
    destination_high: UInt64Column
    destination_low: UInt64Column
    protocol: UInt8Column
    hop_limit: UInt8Column
    identification: UInt32Column
    transport: Int64Column
    """Where the transport header begins; -1: not here."""
    promised_end: Int64Column
    """Where the packet ends by its own length, captured or not."""
    arp: Int64Column
    """Numbers of the packets that are ARP for IPv4."""
    arp_operation: UInt16Column
    """One entry an ARP packet."""


def decode_network(
    view: HeaderView,
    ethertype: Int64Column,
    network: Int64Column,
    end: Int64Column,
    wire_end: Int64Column,
    marks: UInt8Column,
) -> NetworkColumns:
    """
    Decode network headers.

    ``end`` bounds what was captured, ``wire_end`` what was sent.  Bits are set
    in ``marks``.  A length field of 0 (written by hosts whose network card cuts
    segments after the recording point; common practice) counts as the frame's.
    """
    count = len(ethertype)
    # Most packets are IPv4: its header is read everywhere and multiplied away elsewhere, which is
    # cheaper than gathering and scattering each column.  What starts past the end is read from the slack.
    heads = view.take(np.minimum(network, end), IPV4)
    version = heads["version"]
    room = end - network
    claimed4 = ethertype == ETHERTYPE_IPV4
    is4 = claimed4 & (room >= IPV4_OCTETS) & (version >= 0x45) & (version < 0x50)
    header_octets = (version & 0x0F).astype(np.int64)
    header_octets <<= 2
    length = heads["length"].astype(np.int64)
    untold = length == 0
    if untold.any():
        length = np.where(untold, wire_end - network, length)
    is4 &= length >= header_octets
    columns = NetworkColumns(
        version=is4.astype(np.uint8) << np.uint8(2),
        source_high=np.zeros(count, np.uint64),
        source_low=_mapped(heads["source"], is4),
        destination_high=np.zeros(count, np.uint64),
        destination_low=_mapped(heads["destination"], is4),
        protocol=heads["protocol"] * is4,
        hop_limit=heads["hops"] * is4,
        identification=(heads["identification"] * is4).astype(np.uint32),
        transport=np.where(is4, network + header_octets, NO_OFFSET),
        promised_end=np.where(is4, network + length, end),
        arp=np.flatnonzero((ethertype == ETHERTYPE_ARP) & (room >= ARP_OCTETS)),
        arp_operation=np.zeros(0, np.uint16),
    )
    fragment = heads["fragment"]
    fragments = np.flatnonzero((fragment & np.uint16(MORE_FRAGMENTS | FRAGMENT_OFFSET) != 0) & is4)
    if len(fragments):
        later = fragment[fragments] & FRAGMENT_OFFSET != 0
        marks[fragments[~later]] |= FIRST_FRAGMENT
        marks[fragments[later]] |= LATER_FRAGMENT
        columns.transport[fragments[later]] = NO_OFFSET
    cut = is4 & (header_octets > room)
    marks[cut | (claimed4 & ~is4)] |= SHORT_HEADERS
    columns.transport[cut] = NO_OFFSET
    claimed6 = np.flatnonzero(ethertype == ETHERTYPE_IPV6)
    if len(claimed6):
        _decode_ipv6(view, claimed6, network, end, wire_end, marks, columns)
    return _decode_arp(view, network, columns)


def _mapped(address: npt.NDArray[np.uint32], rows: npt.NDArray[np.bool_]) -> UInt64Column:
    """Low words of IPv4-mapped addresses, 0 outside ``rows``."""
    words = address.astype(np.uint64)
    words <<= MAPPED_SHIFT
    words |= MAPPED_LOW
    words *= rows
    return words


def _decode_ipv6(
    view: HeaderView,
    claimed: Int64Column,
    network: Int64Column,
    end: Int64Column,
    wire_end: Int64Column,
    marks: UInt8Column,
    columns: NetworkColumns,
) -> None:
    at = network[claimed]
    heads = view.take(np.minimum(at, end[claimed]), IPV6)
    good = (end[claimed] - at >= IPV6_OCTETS) & (heads["version"] >> 4 == 6)
    marks[claimed[~good]] |= SHORT_HEADERS
    rows = claimed[good]
    if len(rows) != len(claimed):
        heads, at = heads[good], at[good]
    columns.version[rows] = 6
    columns.source_high[rows] = heads["source_high"]
    columns.source_low[rows] = heads["source_low"]
    columns.destination_high[rows] = heads["destination_high"]
    columns.destination_low[rows] = heads["destination_low"]
    columns.hop_limit[rows] = heads["hops"]
    transport = at + IPV6_OCTETS
    following = heads["next"].copy()
    length = heads["length"].astype(np.int64)
    untold = (length == 0) & (following != NO_NEXT_HEADER)
    promised = np.where(untold, np.maximum(wire_end[rows], transport), transport + length)
    columns.promised_end[rows] = promised
    _skip_extensions(view, rows, transport, following, np.minimum(promised, end[rows]), marks, columns)
    columns.protocol[rows] = following
    transport[following == NO_NEXT_HEADER] = NO_OFFSET
    columns.transport[rows] = transport


def _skip_extensions(
    view: HeaderView,
    rows: Int64Column,
    transport: Int64Column,
    following: UInt8Column,
    end: Int64Column,
    marks: UInt8Column,
    columns: NetworkColumns,
) -> None:
    """Move ``transport`` and ``following`` behind the extension headers; -1 where no transport header is."""
    todo = np.flatnonzero(IS_EXTENSION[following])
    for _ in range(MAX_EXTENSION_HEADERS):
        if not len(todo):
            return
        fits = transport[todo] + 8 <= end[todo]
        short = todo[~fits]
        marks[rows[short]] |= SHORT_HEADERS
        transport[short] = NO_OFFSET
        todo = todo[fits]
        heads = view.take(transport[todo], EXTENSION)
        kind = following[todo]
        octets = heads["length"].astype(np.int64)
        octets = np.where(kind == AUTHENTICATION_HEADER, (octets + 2) << 2, (octets + 1) << 3)
        octets[kind == FRAGMENT_HEADER] = 8
        is_fragment = kind == FRAGMENT_HEADER
        columns.identification[rows[todo[is_fragment]]] = heads["identification"][is_fragment]
        offset = heads["fragment"] & FRAGMENT6_OFFSET != 0
        later = is_fragment & offset
        first = is_fragment & ~offset & (heads["fragment"] & MORE_FRAGMENTS6 != 0)
        marks[rows[todo[later]]] |= LATER_FRAGMENT
        marks[rows[todo[first]]] |= FIRST_FRAGMENT
        following[todo] = heads["next"]
        transport[todo] += octets
        transport[todo[later]] = NO_OFFSET
        todo = todo[~later]
        past = transport[todo] > end[todo]
        marks[rows[todo[past]]] |= SHORT_HEADERS
        transport[todo[past]] = NO_OFFSET
        todo = todo[~past]
        todo = todo[IS_EXTENSION[following[todo]]]
    marks[rows[todo]] |= SHORT_HEADERS
    transport[todo] = NO_OFFSET


def _decode_arp(view: HeaderView, network: Int64Column, columns: NetworkColumns) -> NetworkColumns:
    rows = columns.arp
    if not len(rows):
        return columns
    heads = view.take(network[rows], ARP)
    good = (
        (heads["protocol"] == ETHERTYPE_IPV4)
        & (heads["hardware_length"] == 6)
        & (heads["protocol_length"] == 4)
    )
    rows, heads = rows[good], heads[good]
    everywhere = np.ones(len(rows), np.bool_)
    columns.source_low[rows] = _mapped(heads["sender"], everywhere)
    columns.destination_low[rows] = _mapped(heads["target"], everywhere)
    return NetworkColumns(
        version=columns.version,
        source_high=columns.source_high,
        source_low=columns.source_low,
        destination_high=columns.destination_high,
        destination_low=columns.destination_low,
        protocol=columns.protocol,
        hop_limit=columns.hop_limit,
        identification=columns.identification,
        transport=columns.transport,
        promised_end=columns.promised_end,
        arp=rows,
        arp_operation=heads["operation"].astype(np.uint16),
    )
