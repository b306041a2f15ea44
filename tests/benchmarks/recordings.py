"""
Recordings of an invented household of any length, made in columns.

    python -m tests.benchmarks.recordings 1000000 5000 OUT.pcap
    python -m tests.benchmarks.recordings 10000000 200000 OUT.pcapng

Mean frame about 540 octets; three packets in a hundred hold something to
dissect.  Formats: draft-ietf-opsawg-pcap (microseconds, little-endian) and
draft-ietf-opsawg-pcapng (two interfaces, microseconds and nanoseconds).
Addresses outside are of RFC 2544 (198.18.0.0/15, for benchmarks) and RFC 3849;
link addresses are locally administered.  Checksums are left zero.
"""

import argparse
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from tests.benchmarks.payloads import KINDS, VARIANTS

BLOCK_PACKETS = 100_000
START_NS = 1_700_000_000_000_000_000
SPAN_NS = 3_600_000_000_000
HOSTS = 60
MAX_HEADER = 96
FRAME_FLOOR = 60  # octets of an Ethernet frame without its check sequence
DISSECTED_SHARE = 0.03
FIN, SYN, RST, PSH, ACK = 1, 2, 4, 8, 16


@dataclass(frozen=True)
class Kind:
    """A kind of flow; ``share`` is relative, ``payload`` a name of ``KINDS``."""

    share: float
    protocol: int
    port: int
    payload: str | None = None
    ip_version: int = 4
    tags: int = 0
    extra: int = 0
    """Octets of IPv4 options or of an IPv6 extension header."""
    destination: str = "outside"
    is_bulk: bool = True


TCP, UDP, ICMP = 6, 17, 1
FLOW_KINDS = (
    Kind(0.40, TCP, 443, "tls"),
    Kind(0.05, TCP, 443, "tls", tags=1),
    Kind(0.06, TCP, 443, "tls", ip_version=6),
    Kind(0.06, TCP, 80, "http", destination="inside"),
    Kind(0.03, TCP, 1883, "mqtt"),
    Kind(0.20, UDP, 53, "dns-question", destination="router", is_bulk=False),
    Kind(0.02, UDP, 5353, "announcement", destination="group", is_bulk=False),
    Kind(0.01, UDP, 1900, "search", destination="group", is_bulk=False),
    Kind(0.01, UDP, 67, "dhcp", destination="router", is_bulk=False),
    Kind(0.06, UDP, 443),
    Kind(0.01, UDP, 5568, destination="inside"),
    Kind(0.01, UDP, 4000, tags=2, destination="inside"),
    Kind(0.01, UDP, 4001, extra=4, destination="inside"),
    Kind(0.01, UDP, 4002, ip_version=6, extra=8),
    Kind(0.02, ICMP, 0, destination="inside"),
    Kind(0.04, TCP, 0, destination="inside", is_bulk=False),  # unanswered attempts on many ports
)


@dataclass(frozen=True)
class Flows:
    """Templates of all flows: the headers of both directions with lengths and flags still zero."""

    kind: np.ndarray
    headers: np.ndarray
    """flows × 2 × ``MAX_HEADER`` octets."""
    header_length: np.ndarray
    network_offset: np.ndarray
    transport_offset: np.ndarray


def _link(host: int) -> bytes:
    return b"\x02\0\0" + host.to_bytes(3, "big")


def _addresses(kind: Kind, client: int, server: int, rng: np.random.Generator) -> tuple[bytes, bytes, bytes]:
    """Client's and server's address, and the server's link address."""
    router = _link(0)
    if kind.ip_version == 6:
        prefix = bytes.fromhex("20010db8")
        return prefix + bytes(10) + client.to_bytes(2, "big"), prefix + b"\xff" + rng.bytes(11), router
    inside = bytes([192, 168, 1, client])
    if kind.destination == "group":
        group = bytes([239, 255, 255, 250])
        return inside, group, b"\x01\0\x5e\x7f\xff\xfa"
    if kind.destination == "inside":
        return inside, bytes([192, 168, 1, server]), _link(server)
    if kind.destination == "router":
        return inside, bytes([192, 168, 1, 254]), router
    return inside, bytes([198, 18 + rng.integers(0, 2)]) + rng.bytes(2), router


def _header(
    kind: Kind, links: tuple[bytes, bytes], ends: tuple[bytes, bytes], ports: tuple[int, int], way: int
):
    """Header of one direction: octets, where the network and where the transport header begins."""
    tags = (b"\x88\xa8\0\x14", b"\x81\0\0\x1e")[2 - kind.tags :] if kind.tags else b""
    link = links[1] + links[0] + b"".join(tags) + (b"\x08\0" if kind.ip_version == 4 else b"\x86\xdd")
    if kind.ip_version == 4:
        network = bytes([0x45 + kind.extra // 4]) + bytes(7) + bytes([64, kind.protocol, 0, 0])
        network += ends[0] + ends[1] + b"\x94\x04\0\0"[: kind.extra]
    else:
        following = 0 if kind.extra else kind.protocol  # Hop-by-Hop Options, RFC 8200 section 4.3
        options = bytes([kind.protocol, 0, 5, 2, 0, 0, 1, 0])[: kind.extra]
        network = b"\x60" + bytes(5) + bytes([following, 64]) + ends[0] + ends[1] + options
    if kind.protocol == TCP:
        transport = struct.pack(">HHIIBBHHH", *ports, 0, 0, 0x80, 0, 65_535, 0, 0)
        transport += bytes.fromhex("0101080a0000000100000002")
    elif kind.protocol == UDP:
        transport = struct.pack(">HHHH", *ports, 0, 0)
    else:
        transport = bytes([0 if way else 8]) + bytes(7)
    return link + network + transport, len(link), len(link) + len(network)


def make_flows(count: int, rng: np.random.Generator) -> Flows:
    """Templates of ``count`` flows."""
    shares = np.array([kind.share for kind in FLOW_KINDS])
    kinds = rng.choice(len(FLOW_KINDS), count, p=shares / shares.sum())
    headers = np.zeros((count, 2, MAX_HEADER), np.uint8)
    header_length, network, transport = (np.zeros(count, np.int64) for _ in range(3))
    clients, servers = rng.integers(1, HOSTS, (2, count))
    for flow in range(count):
        kind = FLOW_KINDS[kinds[flow]]
        client, server = int(clients[flow]), int(servers[flow]) + HOSTS
        client_end, server_end, server_link = _addresses(kind, client, server, rng)
        ports = (32_768 + flow * 7_919 % 28_000, kind.port or 1 + flow % 60_000)
        if kind.destination == "group":
            ports = (kind.port, kind.port)
        links = (_link(client), server_link)
        for way in (0, 1):
            turn = slice(None, None, -1) if way else slice(None)
            octets, network[flow], transport[flow] = _header(
                kind, links[turn], (client_end, server_end)[turn], ports[turn], way
            )
            headers[flow, way, : len(octets)] = np.frombuffer(octets, np.uint8)
        header_length[flow] = len(octets)
    return Flows(kinds, headers, header_length, network, transport)


def _packets_per_flow(flows: Flows, packets: int, rng: np.random.Generator) -> np.ndarray:
    """Few packets for exchanges, a long tail for bulk; together exactly ``packets``."""
    is_bulk = np.array([kind.is_bulk for kind in FLOW_KINDS])[flows.kind]
    is_exchange = np.array([not k.is_bulk and k.payload is not None for k in FLOW_KINDS])[flows.kind]
    counts = np.full(len(flows.kind), 2)
    spare = DISSECTED_SHARE * packets - np.count_nonzero(is_bulk)
    counts[is_exchange] = max(2, int(spare / max(1, np.count_nonzero(is_exchange))))
    weights = np.minimum(rng.pareto(1.2, len(counts)) + 0.3, 2_000) * is_bulk
    rest = packets - counts[~is_bulk].sum() - 3 * np.count_nonzero(is_bulk)
    if rest < 0:
        raise SystemExit("too few packets for so many flows")
    counts[is_bulk] = 3 + np.floor(weights[is_bulk] / weights.sum() * rest).astype(np.int64)
    counts[np.argmax(counts)] += packets - counts.sum()
    return counts


def _order(counts: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, flow and place in its flow of every packet, by time."""
    flow = np.repeat(np.arange(len(counts), dtype=np.int32), counts)
    place = (np.arange(len(flow)) - np.repeat(np.cumsum(counts) - counts, counts)).astype(np.int32)
    start = rng.random(len(counts)) * SPAN_NS * 0.8
    duration = rng.random(len(counts)) ** 2 * SPAN_NS * 0.2 * np.minimum(1, counts / 50)
    moment = start[flow] + (place + rng.random(len(flow)) * 0.5) / counts[flow] * duration[flow]
    order = np.argsort(moment, kind="stable")
    return moment[order].astype(np.int64) + START_NS, flow[order], place[order]


def _put(target: np.ndarray, at: np.ndarray, rows: np.ndarray) -> None:
    """Write rows of equal length into a flat array, each at its offset."""
    target[at[:, None] + np.arange(rows.shape[1])] = rows


def _big_endian(values: np.ndarray, octets: int) -> np.ndarray:
    return (values[:, None] >> (8 * np.arange(octets - 1, -1, -1)) & 0xFF).astype(np.uint8)


class Maker:
    """Turns blocks of (flow, place) into frames."""

    def __init__(self, flows: Flows, rng: np.random.Generator) -> None:
        self.flows = flows
        self.rng = rng
        self.pool = np.frombuffer(rng.bytes(1 << 24), np.uint8)
        texts = [make(number) for make in KINDS.values() for number in range(VARIANTS)]
        self.text_length = np.array([len(text) for text in texts])
        self.texts = np.zeros((len(texts), self.text_length.max()), np.uint8)
        for row, text in zip(self.texts, texts, strict=True):
            row[: len(text)] = np.frombuffer(text, np.uint8)
        places = {name: VARIANTS * index for index, name in enumerate(KINDS)}
        self.first_text = np.array([places.get(kind.payload or "", -1) for kind in FLOW_KINDS])
        self.answer_text = np.array(
            [places["dns-answer"] if kind.payload == "dns-question" else -1 for kind in FLOW_KINDS]
        )
        self.protocol = np.array([kind.protocol for kind in FLOW_KINDS])
        self.is_bulk = np.array([kind.is_bulk for kind in FLOW_KINDS])
        self.is_group = np.array([kind.destination == "group" for kind in FLOW_KINDS])

    def block(self, flow: np.ndarray, place: np.ndarray, before: int, behind: int, align: int):
        """
        Frames of some packets with room around each.

        Returns the octets, the offset of each frame and its length.  ``before``
        and ``behind`` octets are left free; frames are padded to ``align``.
        """
        flows, rng = self.flows, self.rng
        kind = flows.kind[flow]
        protocol = self.protocol[kind]
        way = np.where(self.is_group[kind], 0, place % 2)
        size = np.where(rng.random(len(flow)) < 0.45, 0, rng.integers(200, 1_400, len(flow)))
        flags = np.where(place == 0, SYN, np.where(place == 1, SYN | ACK, np.where(size > 0, PSH | ACK, ACK)))
        is_tcp = protocol == TCP
        is_attempt = is_tcp & ~self.is_bulk[kind]
        flags = np.where(is_attempt, np.where(way == 0, SYN, RST | ACK), flags)
        size = np.where(is_tcp & ((place < 2) | is_attempt), 0, size)
        text = np.where(self.first_text[kind] >= 0, self.first_text[kind] + flow % VARIANTS, -1)
        answer = np.where(self.answer_text[kind] >= 0, self.answer_text[kind] + flow % VARIANTS, text)
        text = np.where(way == 1, answer, text)
        text = np.where(is_tcp & (place != 2), -1, text)
        size = np.where(text >= 0, self.text_length[text], size)
        header_length = flows.header_length[flow]
        length = np.maximum(FRAME_FLOOR, header_length + size)
        padded = -(-length // align) * align
        stride = before + padded + behind
        offset = np.cumsum(stride) - stride + before
        total = int(stride.sum())
        shift = int(rng.integers(0, len(self.pool) // 2))
        octets = np.resize(self.pool[shift:], total)
        headers = flows.headers[flow, way]
        self._complete(headers, flow, place, size, protocol, flags)
        for width in np.unique(header_length):
            some = np.flatnonzero(header_length == width)
            _put(octets, offset[some], headers[some, :width])
        for width in np.unique(self.text_length):
            some = np.flatnonzero((text >= 0) & (size == width))
            _put(octets, (offset + header_length)[some], self.texts[text[some], :width])
        return octets, offset, length

    def _complete(self, headers, flow, place, size, protocol, flags) -> None:
        """Fill lengths, identification, sequence numbers and flags in."""
        network, transport = self.flows.network_offset[flow], self.flows.transport_offset[flow]
        header_length = self.flows.header_length[flow]
        rows = np.arange(len(flow))
        is_ipv6 = headers[rows, network] >> 4 == 6
        by_field = (
            (~is_ipv6, network + 2, header_length + size - network, 2),
            (~is_ipv6, network + 4, (flow.astype(np.int64) * 31 + place) & 0xFFFF, 2),
            (is_ipv6, network + 4, header_length + size - network - 40, 2),
            (protocol == UDP, transport + 4, 8 + size, 2),
            (protocol == TCP, transport + 4, place.astype(np.int64) * 1_400, 4),
            (protocol == TCP, transport + 13, flags, 1),
        )
        flat = headers.reshape(-1)
        for concerned, at, value, width in by_field:
            some = np.flatnonzero(concerned)
            _put(flat, some * MAX_HEADER + at[some], _big_endian(value[some].astype(np.int64), width))


def _write_pcap(file: BinaryIO, maker: Maker, blocks) -> None:
    file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1))
    for moment, flow, place in blocks:
        octets, offset, length = maker.block(flow, place, 16, 0, 1)
        head = np.stack((moment // 10**9, moment % 10**9 // 1000, length, length), axis=1)
        _put(octets, offset - 16, head.astype("<u4").view(np.uint8))
        octets.tofile(file)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def _pcapng_block(kind: int, body: bytes) -> bytes:
    size = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + size + body + size


def _write_pcapng(file: BinaryIO, maker: Maker, blocks) -> None:
    end = _option(0, b"")
    file.write(_pcapng_block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1)))
    for name, resolution in ((b"wired", b"\x06"), (b"wireless", b"\x09")):
        options = _option(2, name) + _option(9, resolution) + end
        file.write(_pcapng_block(1, struct.pack("<HHI", 1, 0, 262_144) + options))
    for moment, flow, place in blocks:
        octets, offset, length = maker.block(flow, place, 28, 4, 4)
        interface = flow & 1
        ticks = np.where(interface == 0, moment // 1000, moment)
        total = -(-length // 4) * 4 + 32
        kind = np.full(len(flow), 6)
        head = np.stack((kind, total, interface, ticks >> 32, ticks & 0xFFFF_FFFF, length, length), axis=1)
        _put(octets, offset - 28, head.astype("<u4").view(np.uint8))
        _put(octets, offset - 32 + total, total.astype("<u4")[:, None].view(np.uint8))
        octets.tofile(file)


def make_recording(path: Path, packets: int, flow_count: int, seed: int = 1) -> None:
    """Write a recording; the name's ending says which format."""
    rng = np.random.default_rng(seed)
    flows = make_flows(flow_count, rng)
    moment, flow, place = _order(_packets_per_flow(flows, packets, rng), rng)
    blocks = (
        (moment[start : start + BLOCK_PACKETS], flow[start : start + BLOCK_PACKETS],
         place[start : start + BLOCK_PACKETS])
        for start in range(0, packets, BLOCK_PACKETS)
    )  # fmt: skip
    write = _write_pcapng if path.suffix == ".pcapng" else _write_pcap
    with path.open("wb") as file:
        write(file, Maker(flows, rng), blocks)


def main() -> None:
    parser = argparse.ArgumentParser(description="Write a recording of an invented household.")
    parser.add_argument("packets", type=int)
    parser.add_argument("flows", type=int)
    parser.add_argument("path", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    make_recording(options.path, options.packets, options.flows, options.seed)


if __name__ == "__main__":
    main()
