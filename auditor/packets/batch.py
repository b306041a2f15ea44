"""
The columns into which packet headers are decoded.

One entry a packet in every column; nothing here is an object per packet.
Addresses are kept as they stand on the wire, read as little-endian words,
because that costs one copy and no conversion: the memory of the two words of
an address *is* its sixteen octets, and the low 48 bits of a link address word
are its six octets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.addresses import Address, LinkAddress

Int64Column = npt.NDArray[np.int64]
UInt64Column = npt.NDArray[np.uint64]
UInt32Column = npt.NDArray[np.uint32]
UInt16Column = npt.NDArray[np.uint16]
UInt8Column = npt.NDArray[np.uint8]

# Bits of the column ``marks``.
FIRST_FRAGMENT = 0x01  # more fragments follow; the transport header is here
LATER_FRAGMENT = 0x02  # no transport header: ports are 0, payload_offset is -1
SHORT_HEADERS = 0x04  # the captured octets end inside the headers, or a header breaks its format
PROTECTED = 0x08  # 802.11 Protected Frame bit: what follows the link header is encrypted
UNDECODED_LINK = 0x10  # a link type we do not read
TUNNELLED = 0x20  # addresses are those of the packet inside PPPoE
MANAGEMENT = 0x40  # 802.11 management frame: the payload is the whole frame, from Frame Control on

# tcp_flags, RFC 9293 section 3.1
FIN, SYN, RST, PSH, ACK = 0x01, 0x02, 0x04, 0x08, 0x10

ETHERTYPE_IPV4, ETHERTYPE_ARP, ETHERTYPE_IPV6 = 0x0800, 0x0806, 0x86DD
ETHERTYPE_EAPOL, ETHERTYPE_LLDP = 0x888E, 0x88CC  # IEEE 802.1X, IEEE 802.1AB
PROTOCOL_ICMP, PROTOCOL_IGMP, PROTOCOL_TCP, PROTOCOL_UDP, PROTOCOL_GRE, PROTOCOL_ICMPV6 = 1, 2, 6, 17, 47, 58


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PacketBatch:
    """Header columns of one chunk of records."""

    buffer: bytearray
    """The chunk's buffer; valid until the next batch is asked for."""
    capture_index: Int64Column
    packet_number: Int64Column
    """From 1, in the order of its capture."""
    timestamp_ns: Int64Column
    interface_id: Int64Column
    link_type: Int64Column
    captured_length: Int64Column
    """Octets of the frame in the file."""
    original_length: Int64Column
    """Octets of the frame on the wire."""
    frame_offset: Int64Column
    """Where the frame begins in ``buffer``."""

    source_link: UInt64Column
    """Low 48 bits: the six octets, little-endian word; 0 where the link type has none."""
    destination_link: UInt64Column
    vlan_id: UInt32Column
    """Outer VID << 12 | inner VID for stacked tags, the VID for one tag, 0 untagged (IEEE 802.1Q)."""
    ethertype: UInt16Column
    """Of the innermost payload, 0 where there is none (802.11 management frames, 802.3 lengths: the LLC)."""

    ip_version: UInt8Column
    """4, 6, or 0 for anything else.  ARP has 0 and still fills the address columns."""
    source_high: UInt64Column
    """Octets 0-7 of the source address as a little-endian word; ARP: of the sender protocol address."""
    source_low: UInt64Column
    """Octets 8-15."""
    destination_high: UInt64Column
    destination_low: UInt64Column
    protocol: UInt8Column
    """IANA protocol number behind options and extension headers; 0 for ARP and non-IP frames."""
    hop_limit: UInt8Column
    """TTL or Hop Limit."""
    identification: UInt32Column
    """IPv4 Identification, or that of an IPv6 Fragment header, else 0."""

    source_port: UInt16Column
    """TCP and UDP port; ICMP and ICMPv6: the type; IGMP: the type; ARP: the operation."""
    destination_port: UInt16Column
    """TCP and UDP port; ICMP and ICMPv6: the code; else 0."""
    tcp_flags: UInt8Column
    tcp_sequence: UInt32Column
    tcp_acknowledgement: UInt32Column
    payload_offset: Int64Column
    """Where the transport payload begins in ``buffer`` (ICMP, IGMP, GRE: the whole message; ARP, EAPOL, LLDP:
    the packet; 802.11 management: the frame); -1: no transport header was there."""
    payload_length: Int64Column
    """Captured octets of that payload: by the IP length, padding excluded; 0 where offset is -1.  EAPOL and
    LLDP tell their own end: padding of the frame is included."""
    payload_missing: Int64Column
    """Octets of that payload that the IP length promises and the snap length cut off."""
    marks: UInt8Column
    """Bits named above."""

    def __len__(self) -> int:
        return len(self.packet_number)

    def payload(self, index: int) -> bytes:
        """A copy of the captured transport payload of one packet; empty where there is none."""
        start = int(self.payload_offset[index])
        if start < 0:
            return b""
        return bytes(self.buffer[start : start + int(self.payload_length[index])])


def address_from_words(high: int, low: int) -> Address:
    """Sixteen octets from the two words of an address column pair."""
    return Address(int(high).to_bytes(8, "little") + int(low).to_bytes(8, "little"))


def link_from_word(word: int) -> LinkAddress:
    """Six octets from a word of a link address column."""
    return LinkAddress((int(word) & 0xFFFF_FFFF_FFFF).to_bytes(6, "little"))
