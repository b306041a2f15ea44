"""
One frame of the copy: addresses replaced, payload overwritten or cut, checksums true.

Standards: RFC 791 3.1, RFC 1071 (checksum), RFC 768, RFC 9293 3.1, RFC 792,
           RFC 4443 2.3, RFC 8200 8.1, RFC 826, RFC 4861 4.6, RFC 2131, RFC 2132.
Where the network header stands is found by the two addresses that the columns
hold, so that tags, LLC, PPPoE and wireless headers need no second parser.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from auditor.addresses import IPV4_MAPPED_PREFIX, Address, LinkAddress
from auditor.packets.batch import (
    ETHERTYPE_ARP,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
    PROTOCOL_IGMP,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
)
from auditor.reduction.addresses import AddressPseudonyms
from auditor.reduction.mqtt import begins_mqtt, overwrite_mqtt
from auditor.reduction.overwrite import Overwriter
from auditor.reduction.wireless import rewrite_wireless

_CHECKSUM_AT = {PROTOCOL_TCP: 16, PROTOCOL_UDP: 6, PROTOCOL_ICMP: 2, PROTOCOL_ICMPV6: 2, PROTOCOL_IGMP: 2}
_PSEUDO_HEADER = frozenset({PROTOCOL_TCP, PROTOCOL_UDP, PROTOCOL_ICMPV6})
_SHOW_PORT = 5568
_DHCP_PORTS = frozenset({67, 68})
# Options of RFC 2132 and RFC 3442 that hold addresses: router, time, names, log, requested, server, NTP.
_DHCP_ADDRESS_OPTIONS = frozenset({3, 4, 5, 6, 7, 42, 50, 54})
_DHCP_PRIVATE_TEXTS = frozenset({14, 15, 17, 40, 66, 67, 119, 120})
_ND_TARGETS = {135: (8,), 136: (8,), 137: (8, 24)}  # RFC 4861 4.3 to 4.5
_ND_OPTIONS_AT = {133: 8, 134: 16, 135: 24, 136: 24, 137: 40}
_REVERSE = re.compile(rb"((?:.\d{1,3}){4}\x07in-addr\x04arpa)", re.IGNORECASE | re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """What the columns say of one packet."""

    frame: bytes
    source_link: LinkAddress
    destination_link: LinkAddress
    source: Address
    destination: Address
    ip_version: int
    ethertype: int
    protocol: int
    source_port: int
    destination_port: int
    payload_offset: int
    """From the frame's first octet; -1: no transport header."""
    payload_length: int
    is_whole: bool
    """Nothing was clipped by the recorder: checksums can be worked out."""
    is_fragment: bool
    wireless_offset: int
    """Where the 802.11 header begins; -1: another link type."""
    is_management: bool
    shows_network: bool
    """A finding names the packet, or a chosen device is the access point: the network's name stays."""
    from_chosen: bool
    is_mqtt: bool = False
    """MQTT was read in its conversation."""


class FrameRewriter:
    """Rewrites frames of one copy."""

    def __init__(self, pseudonyms: AddressPseudonyms, overwriter: Overwriter) -> None:
        self._pseudonyms = pseudonyms
        self._overwriter = overwriter

    def rewrite(self, packet: Packet, *, keep_payload: bool) -> bytes:
        """The frame of the copy; shorter than before where its payload goes."""
        frame = bytearray(packet.frame)
        at = self._network_offset(packet)
        if packet.wireless_offset >= 0:
            head = rewrite_wireless(
                frame, packet.wireless_offset, self._pseudonyms, self._overwriter, own=packet.shows_network
            )
            if at < 0:
                return bytes(frame if packet.is_management else frame[:head])
        head_end = at if at >= 0 else (packet.payload_offset if packet.payload_offset >= 0 else 14)
        if packet.wireless_offset < 0:
            self._links(frame, packet, max(0, head_end))
        if packet.ethertype == ETHERTYPE_ARP and packet.payload_offset >= 0:
            start = packet.payload_offset
            self._arp(frame, start)
            del frame[start + 28 :]
            return bytes(frame)
        if at < 0:  # no network header is known: nothing behind the link header can be trusted
            return bytes(frame[:head_end])
        start = packet.payload_offset
        before = bytes(frame)
        if start < 0:
            start = at + (40 if packet.ip_version == 6 else (frame[at] & 15) * 4)
            keep_payload = False
        self._network(frame, at, packet)
        end = min(len(frame), start + packet.payload_length) if packet.payload_offset >= 0 else start
        messages = packet.protocol in (PROTOCOL_ICMP, PROTOCOL_ICMPV6, PROTOCOL_IGMP)
        if messages:
            end = self._message(frame, start, end, packet)
        elif keep_payload:
            frame[start:end] = self._payload(bytes(frame[start:end]), packet)
        else:
            end = start
        whole = packet.is_whole and not packet.is_fragment
        if packet.ip_version == 4:
            self._ipv4_checksum(frame, at)
        transport = self._transport_offset(packet, at)
        full = before[transport : packet.payload_offset + packet.payload_length]
        if whole and transport >= 0 and full:
            changed = bytes(frame[transport:end])
            # What was cut counts as zeros: a checksum over the octets themselves would tell of them.
            self._transport_checksum(frame, at, transport, changed + bytes(len(full) - len(changed)), packet)
        return bytes(frame[:end])

    @staticmethod
    def _network_offset(packet: Packet) -> int:
        if packet.ip_version == 4:
            found = packet.frame.find(bytes(packet.source[12:] + packet.destination[12:]))
            return found - 12 if found >= 12 else -1
        if packet.ip_version == 6:
            found = packet.frame.find(bytes(packet.source + packet.destination))
            return found - 8 if found >= 8 else -1
        return -1

    def _links(self, frame: bytearray, packet: Packet, end: int) -> None:
        for link in {packet.source_link, packet.destination_link}:
            if any(link):
                head = bytes(frame[:end]).replace(bytes(link), bytes(self._pseudonyms.link(link)))
                frame[:end] = head

    def _network(self, frame: bytearray, at: int, packet: Packet) -> None:
        source, destination = map(self._pseudonyms.address, (packet.source, packet.destination))
        if packet.ip_version == 4:
            frame[at + 12 : at + 20] = source[12:] + destination[12:]
        else:
            frame[at + 8 : at + 40] = source + destination

    def _ipv4(self, octets: bytes) -> bytes:
        return bytes(self._pseudonyms.address(Address(IPV4_MAPPED_PREFIX + octets))[12:])

    def _arp(self, frame: bytearray, at: int) -> None:
        """RFC 826: link and address of sender, then of target."""
        for place in (at + 8, at + 18):
            frame[place : place + 6] = self._pseudonyms.link(LinkAddress(bytes(frame[place : place + 6])))
            frame[place + 6 : place + 10] = self._ipv4(bytes(frame[place + 6 : place + 10]))

    def _message(self, frame: bytearray, start: int, end: int, packet: Packet) -> int:
        """ICMP, ICMPv6, IGMP; where the message ends in the copy."""
        kind = frame[start]
        if packet.protocol == PROTOCOL_IGMP:
            return end
        if packet.protocol == PROTOCOL_ICMPV6 and kind in _ND_OPTIONS_AT:
            self._neighbour(frame, start, end, kind)
            return end
        if packet.protocol == PROTOCOL_ICMPV6 and 130 <= kind <= 143:  # RFC 2710, RFC 3810: groups
            return end
        is_error = kind in (3, 4, 5, 11, 12) if packet.protocol == PROTOCOL_ICMP else kind < 128
        if not is_error:
            return min(end, start + 8)
        if packet.protocol == PROTOCOL_ICMP and frame[start + 8 : start + 9] and end >= start + 28:
            inner = start + 8
            frame[inner + 12 : inner + 16] = self._ipv4(bytes(frame[inner + 12 : inner + 16]))
            frame[inner + 16 : inner + 20] = self._ipv4(bytes(frame[inner + 16 : inner + 20]))
            self._ipv4_checksum(frame, inner)
            return min(end, inner + (frame[inner] & 15) * 4 + 8)
        if packet.protocol == PROTOCOL_ICMPV6 and end >= start + 48:
            for place in (start + 16, start + 32):
                frame[place : place + 16] = self._pseudonyms.address(
                    Address(bytes(frame[place : place + 16]))
                )
            return min(end, start + 56)
        return min(end, start + 8)

    def _neighbour(self, frame: bytearray, start: int, end: int, kind: int) -> None:
        """Targets, link addresses, prefixes and resolvers (RFC 4861 section 4.6, RFC 8106 section 5.1)."""
        for place in _ND_TARGETS.get(kind, ()):
            self._ipv6_at(frame, start + place, end)
        at = start + _ND_OPTIONS_AT[kind]
        while at + 8 <= end:
            option, size = frame[at], frame[at + 1] * 8
            if size == 0 or at + size > end:
                return
            if option in (1, 2):
                frame[at + 2 : at + 8] = self._pseudonyms.link(LinkAddress(bytes(frame[at + 2 : at + 8])))
            elif option == 3:
                self._ipv6_at(frame, at + 16, at + size)
            elif option == 25:
                for place in range(at + 8, at + size, 16):
                    self._ipv6_at(frame, place, at + size)
            elif option == 31:
                frame[at + 8 : at + size] = self._overwriter.stand_in(bytes(frame[at + 8 : at + size]))
            at += size

    def _ipv6_at(self, frame: bytearray, place: int, end: int) -> None:
        if place + 16 <= end:
            frame[place : place + 16] = self._pseudonyms.address(Address(bytes(frame[place : place + 16])))

    def _payload(self, payload: bytes, packet: Packet) -> bytes:
        is_lease = (
            packet.protocol == PROTOCOL_UDP and {packet.source_port, packet.destination_port} <= _DHCP_PORTS
        )
        changed = self._overwriter.overwrite(payload, from_chosen=packet.from_chosen, addresses=not is_lease)
        if packet.is_mqtt and begins_mqtt(payload):
            changed = overwrite_mqtt(changed, self._overwriter)
        if packet.destination_port == _SHOW_PORT and not packet.from_chosen:
            sender = slice(44, 108)  # ANSI E1.31 section 6.2.2: the source's name
            changed = changed[:44] + self._overwriter.stand_in(changed[sender]) + changed[108:]
        if is_lease:  # its addresses have known places; replacing them twice would give a third address
            return self._dhcp(bytearray(changed))
        return _REVERSE.sub(lambda match: self._reverse(match.group()), changed)

    def _reverse(self, name: bytes) -> bytes:
        """The labels of a reverse lookup (RFC 1035 3.5): digits of the same number."""
        return (
            re.sub(rb"\d+", lambda match: self._overwriter.stand_in(match.group()), name[:-13]) + name[-13:]
        )

    def _dhcp(self, message: bytearray) -> bytes:
        """Addresses and names of others in a lease (RFC 2131 section 2, RFC 2132)."""
        for place in (12, 16, 20, 24):
            if place + 4 <= len(message) and any(message[place : place + 4]):
                message[place : place + 4] = self._ipv4(bytes(message[place : place + 4]))
        message[28:34] = (
            self._pseudonyms.link(LinkAddress(bytes(message[28:34])))
            if len(message) >= 34
            else message[28:34]
        )
        at = 240
        while at + 2 <= len(message) and message[at] != 255:
            if message[at] == 0:
                at += 1
                continue
            option, size = message[at], message[at + 1]
            content = slice(at + 2, min(at + 2 + size, len(message)))
            if option in _DHCP_ADDRESS_OPTIONS:
                for place in range(content.start, content.stop - 3, 4):
                    message[place : place + 4] = self._ipv4(bytes(message[place : place + 4]))
            elif option in _DHCP_PRIVATE_TEXTS:
                message[content] = self._overwriter.stand_in(bytes(message[content]))
            at += 2 + size
        return bytes(message)

    @staticmethod
    def _transport_offset(packet: Packet, at: int) -> int:
        if packet.payload_offset < 0 or packet.protocol not in _CHECKSUM_AT:
            return -1
        if packet.protocol == PROTOCOL_UDP:
            return packet.payload_offset - 8
        if packet.protocol != PROTOCOL_TCP:
            return packet.payload_offset
        if packet.ip_version == 4:
            return at + (packet.frame[at] & 15) * 4
        # Behind extension headers: the ports and a header length that reaches the payload tell the place.
        ports = struct.pack(">HH", packet.source_port, packet.destination_port)
        for octets in range(20, 64, 4):
            place = packet.payload_offset - octets
            if packet.frame[place : place + 4] == ports and packet.frame[place + 12] >> 4 == octets // 4:
                return place
        return -1

    @staticmethod
    def _ipv4_checksum(frame: bytearray, at: int) -> None:
        octets = (frame[at] & 15) * 4
        if octets < 20 or at + octets > len(frame):
            return
        frame[at + 10 : at + 12] = bytes(2)
        frame[at + 10 : at + 12] = checksum(bytes(frame[at : at + octets])).to_bytes(2)

    @staticmethod
    def _transport_checksum(
        frame: bytearray, at: int, transport: int, content: bytes, packet: Packet
    ) -> None:
        place = _CHECKSUM_AT[packet.protocol]
        if packet.protocol == PROTOCOL_UDP and frame[transport + 6 : transport + 8] == bytes(2):
            return  # RFC 768: the sender worked none out
        content = content[:place] + bytes(2) + content[place + 2 :]
        head = b""
        if packet.protocol in _PSEUDO_HEADER:
            if packet.ip_version == 4:
                head = bytes(frame[at + 12 : at + 20]) + struct.pack(">BBH", 0, packet.protocol, len(content))
            else:
                head = bytes(frame[at + 8 : at + 40]) + struct.pack(
                    ">IHBB", len(content), 0, 0, packet.protocol
                )
        value = checksum(head + content)
        if packet.protocol == PROTOCOL_UDP and value == 0:
            value = 0xFFFF
        frame[transport + place : transport + place + 2] = value.to_bytes(2)


def checksum(octets: bytes) -> int:
    """The Internet checksum (RFC 1071)."""
    if len(octets) % 2:
        octets += b"\0"
    total: int = sum(struct.unpack(f">{len(octets) // 2}H", octets))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return 0xFFFF - int(total)
