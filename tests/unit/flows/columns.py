"""Packet columns built directly, so that flows are tested without any decoder."""

from dataclasses import dataclass, replace

import numpy as np

from auditor.addresses import parse_address, parse_link
from auditor.packets.batch import (
    ACK,
    ETHERTYPE_ARP,
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    FIN,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    PSH,
    RST,
    SYN,
    PacketBatch,
)

LIGHT, PHONE, ROUTER, HUB = (
    "02:00:00:00:00:01",
    "02:00:00:00:00:02",
    "02:00:00:00:00:fe",
    "02:00:00:00:00:03",
)
LIGHT_IP, PHONE_IP, ROUTER_IP, HUB_IP = "192.168.1.10", "192.168.1.20", "192.168.1.1", "192.168.1.30"
CLOUD_IP = "203.0.113.7"
SECOND = 1_000_000_000
MILLISECOND = 1_000_000
START = 1_700_000_000 * SECOND
FLAGS = {"F": FIN, "S": SYN, "R": RST, "P": PSH, "A": ACK}


@dataclass(frozen=True)
class Packet:
    """One packet of a test; times in nanoseconds after ``START``."""

    at: int = 0
    source: str = PHONE_IP
    destination: str = LIGHT_IP
    source_port: int = 50_000
    destination_port: int = 80
    protocol: int = PROTOCOL_TCP
    flags: str = ""
    sequence: int = 0
    acknowledgement: int = 0
    payload: bytes = b""
    source_link: str = PHONE
    destination_link: str = LIGHT
    vlan_id: int = 0
    ethertype: int | None = None
    hop_limit: int = 64
    identification: int = 0
    length: int | None = None
    checksum: int = 0

    def answer(self, **changes) -> "Packet":
        """The packet that goes the other way."""
        turned = {
            "source": self.destination,
            "destination": self.source,
            "source_port": self.destination_port,
            "destination_port": self.source_port,
            "source_link": self.destination_link,
            "destination_link": self.source_link,
        }
        return replace(self, **(turned | changes))


def udp(**fields) -> Packet:
    return Packet(**({"protocol": PROTOCOL_UDP} | fields))


def arp(**fields) -> Packet:
    defaults = {"protocol": 0, "ethertype": ETHERTYPE_ARP, "source_port": 1, "destination_port": 0}
    return Packet(**(defaults | {"destination_link": "ff:ff:ff:ff:ff:ff"} | fields))


def connection(at: int = 0, *, answered: bool = True, sequence: int = 100, **fields) -> list[Packet]:
    """Opening, one octet of request and one of answer."""
    syn = Packet(at=at, flags="S", sequence=sequence, **fields)
    if not answered:
        return [syn]
    return [
        syn,
        syn.answer(at=at + MILLISECOND, flags="SA", sequence=7, acknowledgement=sequence + 1),
        replace(syn, at=at + 2 * MILLISECOND, flags="PA", sequence=sequence + 1, payload=b"?"),
        syn.answer(at=at + 3 * MILLISECOND, flags="PA", sequence=8, payload=b"!"),
    ]


def _words(text: str) -> tuple[int, int]:
    octets = parse_address(text)
    return int.from_bytes(octets[:8], "little"), int.from_bytes(octets[8:], "little")


def batch_of(packets: list[Packet], first_number: int = 1, capture_index: int = 0) -> PacketBatch:
    """The columns of these packets; each frame holds its header's distinguishing octets and its payload."""
    buffer = bytearray()
    rows = []
    for packet in packets:
        kind = packet.ethertype
        if kind is None:
            kind = ETHERTYPE_IPV6 if ":" in packet.source else ETHERTYPE_IPV4
        version = {ETHERTYPE_IPV4: 4, ETHERTYPE_IPV6: 6}.get(kind, 0)
        header = bytes(30) + packet.checksum.to_bytes(4, "big")
        is_payload_known = kind == ETHERTYPE_ARP or packet.protocol in (PROTOCOL_TCP, PROTOCOL_UDP, 1, 2, 58)
        frame = header + packet.payload
        length = packet.length or len(frame)
        start = len(buffer)
        rows.append(
            {
                "timestamp_ns": START + packet.at,
                "captured_length": len(frame),
                "original_length": length,
                "frame_offset": start,
                "source_link": int.from_bytes(parse_link(packet.source_link), "little"),
                "destination_link": int.from_bytes(parse_link(packet.destination_link), "little"),
                "vlan_id": packet.vlan_id,
                "ethertype": kind,
                "ip_version": version,
                "source_high": _words(packet.source)[0],
                "source_low": _words(packet.source)[1],
                "destination_high": _words(packet.destination)[0],
                "destination_low": _words(packet.destination)[1],
                "protocol": packet.protocol,
                "hop_limit": packet.hop_limit,
                "identification": packet.identification,
                "source_port": packet.source_port,
                "destination_port": packet.destination_port,
                "tcp_flags": sum(FLAGS[letter] for letter in packet.flags),
                "tcp_sequence": packet.sequence,
                "tcp_acknowledgement": packet.acknowledgement,
                "payload_offset": start + len(header) if is_payload_known else -1,
                "payload_length": len(packet.payload) if is_payload_known else 0,
            }
        )
        buffer += frame
    buffer += bytes(192)
    count = len(rows)
    kinds = {
        "source_link": np.uint64, "destination_link": np.uint64, "vlan_id": np.uint32, "ethertype": np.uint16,
        "ip_version": np.uint8, "source_high": np.uint64, "source_low": np.uint64, "destination_high": np.uint64,
        "destination_low": np.uint64, "protocol": np.uint8, "hop_limit": np.uint8, "identification": np.uint32,
        "source_port": np.uint16, "destination_port": np.uint16, "tcp_flags": np.uint8,
        "tcp_sequence": np.uint32, "tcp_acknowledgement": np.uint32,
    }  # fmt: skip
    names = list(rows[0]) if rows else [*kinds, "timestamp_ns", "captured_length", "original_length",
                                        "frame_offset", "payload_offset", "payload_length"]  # fmt: skip
    columns = {name: np.array([row[name] for row in rows], kinds.get(name, np.int64)) for name in names}
    zeros = np.zeros(count, np.int64)
    return PacketBatch(
        buffer=buffer,
        capture_index=np.full(count, capture_index),
        packet_number=np.arange(first_number, first_number + count),
        interface_id=zeros,
        link_type=np.ones(count, np.int64),
        payload_missing=zeros,
        marks=np.zeros(count, np.uint8),
        **columns,
    )
