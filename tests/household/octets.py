"""
Frames from field values: Ethernet, ARP, IPv4, IPv6, UDP, TCP, ICMP, ICMPv6, IGMP.

Standards: IEEE 802.3, RFC 826, RFC 791, RFC 8200, RFC 768, RFC 9293, RFC 792, RFC 4443, RFC 3376; checksum RFC 1071.
Written by hand so that a recording is the same octets on every machine; the tests of this folder hold scapy, dpkt
and tcpdump against it.
"""

from __future__ import annotations

import struct
from ipaddress import ip_address

ARP, IPV4, IPV6 = 0x0806, 0x0800, 0x86DD  # IEEE 802 numbers
ICMP, IGMP, TCP, UDP, ICMPV6 = 1, 2, 6, 17, 58  # IANA protocol numbers
FIN, SYN, RST, PSH, ACK = 0x01, 0x02, 0x04, 0x08, 0x10  # RFC 9293 3.1
BROADCAST = "ff:ff:ff:ff:ff:ff"
MIN_FRAME = 60  # IEEE 802.3 without the check sequence


def link(text: str) -> bytes:
    """Six octets of a link address."""
    return bytes.fromhex(text.replace(":", ""))


def packed(address: str) -> bytes:
    """4 or 16 octets of an address."""
    return ip_address(address).packed


def is_ipv6(address: str) -> bool:
    """Tell the family of an address."""
    return ":" in address


def checksum(octets: bytes) -> int:
    """The Internet checksum (RFC 1071)."""
    if len(octets) % 2:
        octets += b"\0"
    total = sum(struct.unpack(f"!{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def group_link(address: str) -> str:
    """The link address of a group (RFC 1112 6.4, RFC 2464 section 7)."""
    octets = packed(address)
    if is_ipv6(address):
        return (bytes.fromhex("3333") + octets[-4:]).hex(":")
    return (bytes.fromhex("01005e") + bytes([octets[1] & 0x7F]) + octets[2:]).hex(":")


def ethernet(source: str, target: str, ethertype: int, payload: bytes, vlan: int | None = None) -> bytes:
    """One frame without check sequence, padded; ``vlan`` adds an 802.1Q tag."""
    tag = b"" if vlan is None else struct.pack("!HH", 0x8100, vlan)
    frame = link(target) + link(source) + tag + struct.pack("!H", ethertype) + payload
    return frame.ljust(MIN_FRAME, b"\0")


def arp(operation: int, sender: tuple[str, str], target: tuple[str, str]) -> bytes:
    """A request (1) or reply (2); ends are (link address, IPv4 address)."""
    return (
        struct.pack("!HHBBH", 1, IPV4, 6, 4, operation)
        + link(sender[0]) + packed(sender[1]) + link(target[0]) + packed(target[1])
    )  # fmt: skip


def ip(
    source: str, target: str, protocol: int, payload: bytes, *, hop_limit: int = 64, identification: int = 0
) -> bytes:
    """An IPv4 or IPv6 packet, by the addresses."""
    if is_ipv6(source):
        head = struct.pack("!IHBB", 6 << 28, len(payload), protocol, hop_limit)
        return head + packed(source) + packed(target) + payload
    options = b"\x94\x04\0\0" if protocol == IGMP else b""  # router alert, RFC 3376 section 4
    words = 5 + len(options) // 4
    head = struct.pack(
        "!BBHHHBBH4s4s", 0x40 | words, 0, 4 * words + len(payload), identification, 0x4000, hop_limit, protocol, 0,
        packed(source), packed(target),
    ) + options  # fmt: skip
    return head[:10] + checksum(head).to_bytes(2) + head[12:] + payload


def pseudo_header(source: str, target: str, protocol: int, length: int) -> bytes:
    """What the transport checksum covers besides the segment (RFC 768, RFC 8200 8.1)."""
    ends = packed(source) + packed(target)
    if is_ipv6(source):
        return ends + struct.pack("!II", length, protocol)
    return ends + struct.pack("!HH", protocol, length)


def udp(source: str, target: str, ports: tuple[int, int], payload: bytes) -> bytes:
    """A datagram from ports[0] to ports[1]."""
    datagram = struct.pack("!HHHH", *ports, 8 + len(payload), 0) + payload
    total = checksum(pseudo_header(source, target, UDP, len(datagram)) + datagram) or 0xFFFF
    return datagram[:6] + total.to_bytes(2) + datagram[8:]


def tcp(source: str, target: str, ports: tuple[int, int], sequence: int, acknowledgement: int, flags: int,
        payload: bytes = b"", maximum_segment: int | None = None) -> bytes:  # fmt: skip
    """A segment; ``maximum_segment`` adds that option."""
    options = b"" if maximum_segment is None else struct.pack("!BBH", 2, 4, maximum_segment)
    segment = struct.pack(
        "!HHIIBBHHH", *ports, sequence & 0xFFFFFFFF, acknowledgement & 0xFFFFFFFF,
        (5 + len(options) // 4) << 4, flags, 0xFAF0, 0, 0,
    ) + options + payload  # fmt: skip
    total = checksum(pseudo_header(source, target, TCP, len(segment)) + segment)
    return segment[:16] + total.to_bytes(2) + segment[18:]


def icmp(source: str, target: str, kind: int, code: int, rest: bytes) -> bytes:
    """ICMP or ICMPv6 by the addresses; ``rest`` begins with the four octets behind the checksum."""
    message = bytes([kind, code, 0, 0]) + rest
    covered = pseudo_header(source, target, ICMPV6, len(message)) if is_ipv6(source) else b""
    return message[:2] + checksum(covered + message).to_bytes(2) + message[4:]


def solicited_node(address: str) -> str:
    """The group that a neighbour solicitation goes to (RFC 4291 2.7.1)."""
    return str(ip_address(bytes.fromhex("ff0200000000000000000001ff") + packed(address)[-3:]))


def link_option(kind: int, link_address: str) -> bytes:
    """Source (1) or target (2) link-layer address (RFC 4861 4.6.1)."""
    return bytes([kind, 1]) + link(link_address)


def router_advertisement(prefix: str, router_link: str) -> bytes:
    """What follows the checksum: 30 minutes, one on-link prefix of 64 bits for addresses (RFC 4861 4.2, 4.6.2)."""
    announced = struct.pack("!BBBBIII", 3, 4, 64, 0xC0, 86_400, 14_400, 0) + packed(prefix)
    return struct.pack("!BBHII", 64, 0, 1800, 0, 0) + link_option(1, router_link) + announced


def igmp_report(group: str) -> bytes:
    """An IGMPv2 membership report (RFC 2236 section 2)."""
    message = bytes([0x16, 0, 0, 0]) + packed(group)
    return message[:2] + checksum(message).to_bytes(2) + message[4:]
