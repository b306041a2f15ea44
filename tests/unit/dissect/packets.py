"""Packet columns made by hand: what the decoder would hand over for such packets."""

from dataclasses import dataclass

import numpy as np

from auditor.addresses import parse_address
from auditor.packets.batch import ACK, FIN, PROTOCOL_TCP, PROTOCOL_UDP, PSH, RST, SYN, PacketBatch

LAMP, PHONE = "192.0.2.20", "192.0.2.30"
NS = 1_000_000_000


@dataclass
class Packet:
    source: str
    destination: str
    source_port: int
    destination_port: int
    payload: bytes = b""
    protocol: int = PROTOCOL_TCP
    flags: int = 0
    sequence: int = 0
    acknowledgement: int = 0
    missing: int = 0
    link: int = 1
    marks: int = 0


def batch_of(packets, first_number=1):
    """The columns of these packets, one millisecond apart."""
    count = len(packets)
    buffer, offsets = bytearray(), []
    for packet in packets:
        offsets.append(len(buffer))
        buffer += packet.payload
    buffer += bytes(192)

    def column(values, kind=np.int64):
        return np.array(list(values), dtype=kind)

    def words(text):
        octets = bytes(parse_address(text))
        return int.from_bytes(octets[:8], "little"), int.from_bytes(octets[8:], "little")

    def link_word(text):
        return int.from_bytes(b"\x02\0\0\0\0" + bytes([parse_address(text)[15]]), "little")

    numbers = np.arange(first_number, first_number + count, dtype=np.int64)
    return PacketBatch(
        buffer=buffer,
        capture_index=np.zeros(count, np.int64),
        packet_number=numbers,
        timestamp_ns=numbers * 1_000_000,
        interface_id=np.zeros(count, np.int64),
        link_type=column(p.link for p in packets),
        captured_length=column(len(p.payload) + 54 for p in packets),
        original_length=column(len(p.payload) + p.missing + 54 for p in packets),
        frame_offset=column(offsets),
        source_link=column((link_word(p.source) for p in packets), np.uint64),
        destination_link=column((link_word(p.destination) for p in packets), np.uint64),
        vlan_id=np.zeros(count, np.uint32),
        ethertype=column((0x86DD if ":" in p.source else 0x0800 for p in packets), np.uint16),
        ip_version=column((6 if ":" in p.source else 4 for p in packets), np.uint8),
        source_high=column((words(p.source)[0] for p in packets), np.uint64),
        source_low=column((words(p.source)[1] for p in packets), np.uint64),
        destination_high=column((words(p.destination)[0] for p in packets), np.uint64),
        destination_low=column((words(p.destination)[1] for p in packets), np.uint64),
        protocol=column((p.protocol for p in packets), np.uint8),
        hop_limit=np.full(count, 64, np.uint8),
        identification=np.zeros(count, np.uint32),
        source_port=column((p.source_port for p in packets), np.uint16),
        destination_port=column((p.destination_port for p in packets), np.uint16),
        tcp_flags=column((p.flags for p in packets), np.uint8),
        tcp_sequence=column((p.sequence % 2**32 for p in packets), np.uint32),
        tcp_acknowledgement=column((p.acknowledgement % 2**32 for p in packets), np.uint32),
        payload_offset=column(offsets),
        payload_length=column(len(p.payload) for p in packets),
        payload_missing=column(p.missing for p in packets),
        marks=column((p.marks for p in packets), np.uint8),
    )


class Connection:
    """A TCP connection that writes down its packets."""

    def __init__(self, client=PHONE, server=LAMP, client_port=49_152, server_port=80, isn=(1000, 2**32 - 50)):
        self.ends = (client, client_port), (server, server_port)
        self.next = list(isn)
        self.packets = []

    def _packet(self, by_client, flags, payload=b"", sequence=None, missing=0):
        (source, source_port), (destination, destination_port) = self.ends if by_client else self.ends[::-1]
        here, there = (0, 1) if by_client else (1, 0)
        packet = Packet(
            source,
            destination,
            source_port,
            destination_port,
            payload,
            PROTOCOL_TCP,
            flags,
            self.next[here] if sequence is None else sequence,
            self.next[there] if flags & ACK else 0,
            missing,
        )
        self.packets.append(packet)
        return packet

    def open(self):
        self._packet(True, SYN)
        self.next[0] += 1
        self._packet(False, SYN | ACK)
        self.next[1] += 1
        self._packet(True, ACK)
        return self

    def say(self, by_client, octets, size=1460, missing=0):
        for start in range(0, len(octets), size):
            part = octets[start : start + size]
            kept = part[: len(part) - missing] if missing else part
            self._packet(by_client, PSH | ACK, kept, missing=len(part) - len(kept))
            self.next[0 if by_client else 1] += len(part)
        return self

    def client(self, octets, size=1460, **how):
        return self.say(True, octets, size, **how)

    def server(self, octets, size=1460, **how):
        return self.say(False, octets, size, **how)

    def close(self, by_client=True):
        for side in (by_client, not by_client):
            self._packet(side, FIN | ACK)
            self.next[0 if side else 1] += 1
        return self

    def reset(self, by_client=True):
        self._packet(by_client, RST)
        return self


def datagram(source, destination, source_port, destination_port, payload, **more):
    return Packet(source, destination, source_port, destination_port, payload, PROTOCOL_UDP, **more)


def dispatch(packets, dispatcher, batch_size=None):
    """Feed packets in batches of that size and finish; gives every item."""
    items = []
    size = batch_size or max(len(packets), 1)
    for start in range(0, len(packets), size):
        batch = batch_of(packets[start : start + size], start + 1)
        items += dispatcher.feed(batch, np.zeros(len(batch), np.bool_))
    return items + dispatcher.finish()
