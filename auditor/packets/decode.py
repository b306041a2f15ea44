"""
From records to columns of packet headers.

Standards: RFC 9293 section 3.1 (TCP), RFC 768 (UDP), RFC 792 (ICMP), RFC 4443
           section 2.1 (ICMPv6), RFC 3376 section 4 (IGMP), RFC 2784 section 2 (GRE).
No loop runs once a packet here: rare cases are picked out by mask.  Nothing
behind a frame's captured end is ever reported.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.capture.record import RecordChunk
from auditor.packets.batch import (
    ETHERTYPE_EAPOL,
    ETHERTYPE_LLDP,
    MANAGEMENT,
    PROTOCOL_GRE,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
    PROTOCOL_IGMP,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    SHORT_HEADERS,
    Int64Column,
    PacketBatch,
    UInt8Column,
)
from auditor.packets.ethertypes import unwrap_ethertypes
from auditor.packets.link_columns import LinkColumns
from auditor.packets.linktypes import decode_links
from auditor.packets.network import ARP_OCTETS, NetworkColumns, decode_network
from auditor.packets.view import NO_OFFSET, HeaderView

TRANSPORT = np.dtype(
    [("source", ">u2"), ("destination", ">u2"), ("sequence", ">u4"), ("acknowledgement", ">u4"),
     ("offset", "u1"), ("flags", "u1")]
)  # fmt: skip
UDP_LENGTH = np.dtype([("ports", "V4"), ("length", ">u2")])
TCP_OCTETS, UDP_OCTETS = 20, 8
# Every ICMP and IGMP message has eight octets (RFC 792, RFC 3376 section 4); ICMPv6 has four before its
# body (RFC 4443 section 2.1), GRE has four (RFC 2784 section 2).
MESSAGE_OCTETS = np.zeros(256, np.int64)
MESSAGE_OCTETS[PROTOCOL_ICMP] = 8
MESSAGE_OCTETS[PROTOCOL_IGMP] = 8
MESSAGE_OCTETS[PROTOCOL_ICMPV6] = 4
MESSAGE_OCTETS[PROTOCOL_GRE] = 4
# What must be there before ports and flags are believed.
HEADER_OCTETS = MESSAGE_OCTETS.copy()
HEADER_OCTETS[PROTOCOL_TCP] = TCP_OCTETS
HEADER_OCTETS[PROTOCOL_UDP] = UDP_OCTETS

BooleanColumn = npt.NDArray[np.bool_]


def decode_batch(chunk: RecordChunk) -> PacketBatch:
    """
    Decode all headers of one chunk.

    Never raises for what a frame holds: broken headers get ``SHORT_HEADERS``,
    link types we do not read ``UNDECODED_LINK``.
    """
    view = HeaderView(chunk.buffer)
    links = decode_links(view, chunk.offsets, chunk.captured_length, chunk.link_type)
    unwrap_ethertypes(view, links)
    wire_end = chunk.offsets + chunk.original_length
    network = decode_network(view, links.ethertype, links.network, links.end, wire_end, links.marks)
    end = np.minimum(links.end, network.promised_end)

    protocol = network.protocol
    start = network.transport
    tcp = protocol == PROTOCOL_TCP
    udp = protocol == PROTOCOL_UDP
    wanted = HEADER_OCTETS[protocol]
    here = (start >= 0) & (wanted > 0)
    whole = here & (end - start >= wanted)
    links.marks[here & ~whole] |= SHORT_HEADERS
    tcp &= whole
    udp &= whole

    # Read everywhere, at the frame's end where there is nothing, and multiplied away there.
    heads = view.take(np.where(whole, start, end), TRANSPORT)
    ports = tcp | udp
    source_port = heads["source"] * ports
    destination_port = heads["destination"] * ports
    payload_offset = np.where(whole, start, NO_OFFSET)
    header_octets = (heads["offset"] >> 4).astype(np.int64)
    header_octets <<= 2
    header_octets *= tcp
    header_octets += udp * np.int64(UDP_OCTETS)
    payload_offset += header_octets
    _mark_broken_offsets(tcp, header_octets, payload_offset, end, links.marks)
    messages = np.flatnonzero(whole & ~ports)
    if len(messages):
        source_port[messages] = heads["source"][messages] >> 8  # the type is the first octet
        destination_port[messages] = heads["source"][messages] & 0xFF
        destination_port[messages[protocol[messages] == PROTOCOL_IGMP]] = 0
        unnumbered = messages[protocol[messages] == PROTOCOL_GRE]
        source_port[unnumbered] = destination_port[unnumbered] = 0
    promised = network.promised_end
    _bound_by_udp_length(view, udp, start, end, promised, links.marks)
    _place_arp(links.network, network, payload_offset, end, promised, source_port)
    _place_frames(
        links, network, wire_end - chunk.offsets - chunk.captured_length, payload_offset, end, promised
    )
    present = payload_offset >= 0
    return PacketBatch(
        buffer=chunk.buffer,
        capture_index=chunk.capture_index,
        packet_number=chunk.packet_number,
        timestamp_ns=chunk.timestamp_ns,
        interface_id=chunk.interface_id,
        link_type=chunk.link_type,
        captured_length=chunk.captured_length,
        original_length=chunk.original_length,
        frame_offset=chunk.offsets,
        source_link=links.source,
        destination_link=links.destination,
        vlan_id=links.vlan_id,
        ethertype=links.ethertype.astype(np.uint16),
        ip_version=network.version,
        source_high=network.source_high,
        source_low=network.source_low,
        destination_high=network.destination_high,
        destination_low=network.destination_low,
        protocol=protocol,
        hop_limit=network.hop_limit,
        identification=network.identification,
        source_port=source_port,
        destination_port=destination_port,
        tcp_flags=heads["flags"] * tcp,
        tcp_sequence=heads["sequence"] * tcp,
        tcp_acknowledgement=heads["acknowledgement"] * tcp,
        payload_offset=payload_offset,
        payload_length=(end - payload_offset) * present,
        payload_missing=(promised - end) * present,
        marks=links.marks,
    )


def _mark_broken_offsets(
    tcp: BooleanColumn,
    header_octets: Int64Column,
    payload_offset: Int64Column,
    end: Int64Column,
    marks: UInt8Column,
) -> None:
    """A TCP header that claims less than its fixed part, or more than is there, shows no payload."""
    broken = tcp & ((header_octets < TCP_OCTETS) | (payload_offset > end))
    if broken.any():
        marks[broken] |= SHORT_HEADERS
        payload_offset[broken] = NO_OFFSET


def _bound_by_udp_length(
    view: HeaderView,
    udp: BooleanColumn,
    start: Int64Column,
    end: Int64Column,
    promised: Int64Column,
    marks: UInt8Column,
) -> None:
    """Leave off what stands behind a datagram's own end; a length of 0 says nothing (RFC 2675 section 4)."""
    rows = np.flatnonzero(udp)
    if not len(rows):
        return
    length = view.take(start[rows], UDP_LENGTH)["length"].astype(np.int64)
    broken = (length < UDP_OCTETS) & (length != 0)
    if broken.any():
        marks[rows[broken]] |= SHORT_HEADERS
    shorter = (length >= UDP_OCTETS) & (start[rows] + length < promised[rows])
    if shorter.any():
        rows, length = rows[shorter], length[shorter]
        promised[rows] = start[rows] + length
        end[rows] = np.minimum(end[rows], promised[rows])


def _place_arp(
    network_offset: Int64Column,
    network: NetworkColumns,
    payload_offset: Int64Column,
    end: Int64Column,
    promised: Int64Column,
    source_port: npt.NDArray[np.uint16],
) -> None:
    rows = network.arp
    if not len(rows):
        return
    payload_offset[rows] = network_offset[rows]
    end[rows] = network_offset[rows] + ARP_OCTETS
    promised[rows] = end[rows]
    source_port[rows] = network.arp_operation


def _place_frames(
    links: LinkColumns,
    network: NetworkColumns,
    clipped: Int64Column,
    payload_offset: Int64Column,
    end: Int64Column,
    promised: Int64Column,
) -> None:
    """What is read without a network header; ``clipped``: octets of the frame that were not captured."""
    rows = np.flatnonzero(network.version == 0)
    if not len(rows):
        return
    ethertype = links.ethertype[rows]
    wanted = (ethertype == ETHERTYPE_EAPOL) | (ethertype == ETHERTYPE_LLDP)
    wanted |= links.marks[rows] & MANAGEMENT != 0
    rows = rows[wanted]
    payload_offset[rows] = links.network[rows]
    end[rows] = links.end[rows]
    promised[rows] = links.end[rows] + clipped[rows]
