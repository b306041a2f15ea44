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

from tests.benchmarks.kinds import FLOW_KINDS, TCP, UDP, Kind
from tests.benchmarks.payloads import LENGTH_DIGITS, LENGTH_OFFSET, PREFIXES, VARIANTS, prefix
from tests.benchmarks.plan import (
    LEAST_OCTETS,
    MOST_OCTETS,
    NOTHING,
    PROTOCOL,
    TEXT_LENGTH,
    TEXTS,
    Plan,
    make_plan,
)

BLOCK_PACKETS = 100_000
HOSTS = 60
MAX_HEADER = 96
FRAME_FLOOR = 60  # octets of an Ethernet frame without its check sequence


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


def _addresses(kind: Kind, client: int, server: int, flow: int) -> tuple[bytes, bytes, bytes]:
    """Client's and server's address, and the server's link address."""
    router = _link(0)
    # Hosts come back to the same few servers.
    known = flow % VARIANTS, client  # as the names in their payloads do
    if kind.ip_version == 6:
        prefix = bytes.fromhex("20010db8")
        return (
            prefix + bytes(10) + client.to_bytes(2, "big"),
            prefix + b"\xff" + bytes([*known]).rjust(11, b"\0"),
            router,
        )
    inside = bytes([192, 168, 1, client])
    if kind.destination == "group":
        group = bytes([239, 255, 255, 250])
        return inside, group, b"\x01\0\x5e\x7f\xff\xfa"
    if kind.destination == "inside":
        return inside, bytes([192, 168, 1, server]), _link(server)
    if kind.destination == "router":
        return inside, bytes([192, 168, 1, 254]), router
    return inside, bytes([198, 18, *known]), router


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
        client_end, server_end, server_link = _addresses(kind, client, server, flow)
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


def _put(target: np.ndarray, at: np.ndarray, rows: np.ndarray) -> None:
    """Write rows of equal length into a flat array, each at its offset."""
    target[at[:, None] + np.arange(rows.shape[1])] = rows


def _big_endian(values: np.ndarray, octets: int) -> np.ndarray:
    return (values[:, None] >> (8 * np.arange(octets - 1, -1, -1)) & 0xFF).astype(np.uint8)


class Maker:
    """Turns parts of a plan into frames."""

    def __init__(self, flows: Flows, rng: np.random.Generator) -> None:
        self.flows = flows
        self.rng = rng
        self.pool = np.frombuffer(rng.bytes(1 << 24), np.uint8)
        self.texts = np.zeros((len(TEXTS), TEXT_LENGTH.max()), np.uint8)
        for row, text in zip(self.texts, TEXTS, strict=True):
            row[: len(text)] = np.frombuffer(text, np.uint8)
        sizes = range(LEAST_OCTETS, MOST_OCTETS)
        self.prefixes = [
            np.array([list(prefix(name, size)) for size in sizes], np.uint8) for name in PREFIXES
        ]

    def block(self, plan: Plan, before: int, behind: int, align: int):
        """
        Frames of some packets with room around each.

        Returns the octets, the offset of each frame and its length.  ``before``
        and ``behind`` octets are left free; frames are padded to ``align``.
        """
        flows, flow, size = self.flows, plan.flow, plan.size
        header_length = flows.header_length[flow]
        length = np.maximum(FRAME_FLOOR, header_length + size)
        padded = -(-length // align) * align
        stride = before + padded + behind
        offset = np.cumsum(stride) - stride + before
        total = int(stride.sum())
        shift = int(self.rng.integers(0, len(self.pool) // 2))
        octets = np.resize(self.pool[shift:], total)
        headers = flows.headers[flow, plan.way]
        self._complete(headers, plan)
        for width in np.unique(header_length):
            some = np.flatnonzero(header_length == width)
            _put(octets, offset[some], headers[some, :width])
        self._fill(octets, offset + header_length, plan)
        return octets, offset, length

    def _fill(self, octets: np.ndarray, payload: np.ndarray, plan: Plan) -> None:
        """Write what payloads begin with; the rest stays random."""
        text, size = plan.text, plan.size
        for width in np.unique(TEXT_LENGTH):
            some = np.flatnonzero((text != NOTHING) & (size == width))
            _put(octets, payload[some], self.texts[text[some], :width])
        for number, rows in enumerate(self.prefixes):
            some = np.flatnonzero(plan.prefix == number)
            _put(octets, payload[some], rows[size[some] - LEAST_OCTETS])
        heads = np.flatnonzero(plan.body != NOTHING)
        digits = plan.body[heads, None] // 10 ** np.arange(LENGTH_DIGITS - 1, -1, -1) % 10
        _put(octets, payload[heads] + LENGTH_OFFSET, (digits + ord("0")).astype(np.uint8))
        # Every question has its own identifier, and its answer the same: they do not repeat word for word.
        lookups = np.flatnonzero((text >= 0) & (text < 2 * VARIANTS))
        identifier = plan.flow[lookups].astype(np.int64) * 31 + plan.place[lookups] // 2
        _put(octets, payload[lookups], _big_endian(identifier & 0xFFFF, 2))

    def _complete(self, headers: np.ndarray, plan: Plan) -> None:
        """Fill lengths, identification, sequence numbers and flags in."""
        flow, size = plan.flow, plan.size
        protocol = PROTOCOL[self.flows.kind[flow]]
        network, transport = self.flows.network_offset[flow], self.flows.transport_offset[flow]
        header_length = self.flows.header_length[flow]
        rows = np.arange(len(flow))
        is_ipv6 = headers[rows, network] >> 4 == 6
        by_field = (
            (~is_ipv6, network + 2, header_length + size - network, 2),
            (~is_ipv6, network + 4, (flow.astype(np.int64) * 31 + plan.place) & 0xFFFF, 2),
            (is_ipv6, network + 4, header_length + size - network - 40, 2),
            (protocol == UDP, transport + 4, 8 + size, 2),
            (protocol == TCP, transport + 4, plan.sequence, 4),
            (protocol == TCP, transport + 8, plan.acknowledgement, 4),
            (protocol == TCP, transport + 13, plan.flags, 1),
        )
        flat = headers.reshape(-1)
        for concerned, at, value, width in by_field:
            some = np.flatnonzero(concerned)
            _put(flat, some * MAX_HEADER + at[some], _big_endian(value[some].astype(np.int64), width))


def _write_pcap(file: BinaryIO, maker: Maker, blocks) -> None:
    file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1))
    for plan in blocks:
        octets, offset, length = maker.block(plan, 16, 0, 1)
        moment = plan.moment_ns
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
    for plan in blocks:
        octets, offset, length = maker.block(plan, 28, 4, 4)
        moment, flow = plan.moment_ns, plan.flow
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
    plan = make_plan(flows.kind, packets, rng)
    blocks = (plan.slice(start, start + BLOCK_PACKETS) for start in range(0, packets, BLOCK_PACKETS))
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
