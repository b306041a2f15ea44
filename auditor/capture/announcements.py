"""
A log of announcements as lines of JSON: read as if the datagrams in it had been captured without their links.

Format: one JSON object (RFC 8259) a line, in the order of arrival.  The first is
        ``{"announcements": 1, "interface": name}``; each other is one datagram:
        ``at`` (RFC 3339, UTC), ``from`` and ``to`` (addresses), ``from_port``,
        ``to_port`` and ``payload`` (base64, RFC 4648 section 4).
A line that is none of that is counted and passed over.  Each datagram becomes an
IP packet (RFC 791, RFC 8200, RFC 768) of link type RAW: what the log does not
hold, link addresses and checksums, is not made up.
"""

from __future__ import annotations

import base64
import binascii
import json
import struct
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from auditor.addresses import Address, format_address, is_ipv4, parse_address
from auditor.capture.record import SLACK, InterfaceFacts, IssueKind, RecordChunk
from auditor.capture.rolling import RollingBuffer
from auditor.capture.tally import Tally
from auditor.settings.times import parse_time_ns
from auditor.units import format_time

BEGINNING = b'{"announcements": 1'
LINK_TYPE_RAW = 101
MAX_PAYLOAD_OCTETS = 65_507  # what a datagram of IPv4 holds (RFC 768, RFC 791)
MAX_LINE_OCTETS = 90_000  # base64 of the longest payload and some 200 octets of names
CHUNK_DATAGRAMS = 1024
UDP = 17
HOP_LIMIT = 1
"""A datagram to a group of the link has crossed no router; what it said itself is not in the log."""
_KEYS = frozenset(("at", "from", "to", "from_port", "to_port", "payload"))


class Announcement(NamedTuple):
    """One datagram that told or asked what there is."""

    at_ns: int
    source: Address
    source_port: int
    destination: Address
    destination_port: int
    payload: bytes


def write_head(interface: str) -> bytes:
    """The first line of a log."""
    return json.dumps({"announcements": 1, "interface": interface}).encode() + b"\n"


def write_line(announcement: Announcement) -> bytes:
    """One datagram as a line."""
    said = {
        "at": format_time(announcement.at_ns),
        "from": format_address(announcement.source),
        "from_port": announcement.source_port,
        "to": format_address(announcement.destination),
        "to_port": announcement.destination_port,
        "payload": base64.b64encode(announcement.payload).decode("ascii"),
    }
    return json.dumps(said).encode() + b"\n"


class AnnouncementsFile:
    """The datagrams of one log; the parts of a reader as ``PcapngFile`` has them."""

    format = "announcements"

    def __init__(self, window: RollingBuffer, tally: Tally, capture_index: int) -> None:
        self._window = window
        self._tally = tally
        self._capture_index = capture_index
        self._lines = 0
        self.interfaces: list[InterfaceFacts] = []
        head = self._next_line()
        name = None
        try:
            said = _parse_object(head or b"")
            name = said.get("interface")
        except ValueError:
            tally.count_packets(IssueKind.DAMAGED, "stand behind a first line that cannot be read", 1, 1)
        self.interfaces.append(
            InterfaceFacts(
                link_type=LINK_TYPE_RAW,
                snap_length=0,
                name=name[:64] if isinstance(name, str) else None,
            )
        )

    def chunks(self) -> Iterator[RecordChunk]:
        """Deliver every datagram that can be read; its number is that of its line, less the first."""
        found: list[tuple[int, int, bytes]] = []
        while (line := self._next_line()) is not None:
            number = self._lines - 1
            if not line.strip():
                continue
            try:
                one = parse_line(line)
            except ValueError:
                self._tally.count_packets(IssueKind.DAMAGED, "of the log are no announcement", 1, number)
                continue
            found.append((number, one.at_ns, build_packet(one)))
            if len(found) >= CHUNK_DATAGRAMS:
                yield self._chunk(found)
                found = []
        if found:
            yield self._chunk(found)

    def _next_line(self) -> bytes | None:
        """The next line without its end; None at the end of the log; empty for one that is too long."""
        window = self._window
        window.need(MAX_LINE_OCTETS)
        if window.start == window.end:
            return None
        self._lines += 1
        end = window.buffer.find(b"\n", window.start, min(window.end, window.start + MAX_LINE_OCTETS))
        if end >= 0:
            line = bytes(window.buffer[window.start : end])
            window.start = end + 1
            return line
        if window.end - window.start < MAX_LINE_OCTETS:  # the last one, without an end
            line = bytes(window.buffer[window.start : window.end])
            window.start = window.end
            return line
        end = window.buffer.find(b"\n", window.start, window.end)
        while end < 0 and window.start < window.end:
            window.start = window.end
            window.need(MAX_LINE_OCTETS)
            end = window.buffer.find(b"\n", window.start, window.end)
        window.start = window.end if end < 0 else end + 1
        return b"too long"

    def _chunk(self, found: list[tuple[int, int, bytes]]) -> RecordChunk:
        buffer = bytearray(b"".join(packet for _, _, packet in found)) + bytes(SLACK)
        lengths = np.array([len(packet) for _, _, packet in found], np.int64)
        count = len(found)
        chunk = RecordChunk(
            buffer=buffer,
            offsets=np.cumsum(lengths) - lengths,
            captured_length=lengths,
            original_length=lengths,
            timestamp_ns=np.array([at_ns for _, at_ns, _ in found], np.int64),
            link_type=np.broadcast_to(np.int64(LINK_TYPE_RAW), (count,)),
            interface_id=np.broadcast_to(np.int64(0), (count,)),
            packet_number=np.array([number for number, _, _ in found], np.int64),
            capture_index=np.broadcast_to(np.int64(self._capture_index), (count,)),
        )
        self._tally.add_records(chunk)
        return chunk


def parse_line(line: bytes) -> Announcement:
    """One line of the log; raises ``ValueError``."""
    said = _parse_object(line)
    if said.keys() != _KEYS:
        raise ValueError("other keys than those of an announcement")
    ports = (said["from_port"], said["to_port"])
    if not all(isinstance(port, int) and not isinstance(port, bool) and 0 <= port < 65_536 for port in ports):
        raise ValueError("no port")
    if not all(isinstance(said[key], str) for key in ("at", "from", "to", "payload")):
        raise ValueError("no text")
    try:
        payload = base64.b64decode(said["payload"], validate=True)
    except binascii.Error as error:
        raise ValueError(str(error)) from None
    source, destination = parse_address(said["from"]), parse_address(said["to"])
    if len(payload) > MAX_PAYLOAD_OCTETS or is_ipv4(source) != is_ipv4(destination):
        raise ValueError("no datagram")
    at_ns = parse_time_ns(said["at"])
    if at_ns < 0:
        raise ValueError("before 1970")
    return Announcement(at_ns, source, ports[0], destination, ports[1], payload)


def _parse_object(line: bytes) -> dict[str, Any]:
    try:
        said = json.loads(line)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(said, dict):
        raise ValueError("no object")  # noqa: TRY004 - one error for every line that cannot be read
    return said


def build_packet(one: Announcement) -> bytes:
    """IP and UDP around a payload; checksums 0, as recorders see them where hardware fills them in."""
    length = 8 + len(one.payload)
    datagram = struct.pack("!4H", one.source_port, one.destination_port, length, 0) + one.payload
    if is_ipv4(one.source):
        head = struct.pack("!BBHHHBBH", 0x45, 0, 20 + length, 0, 0, HOP_LIMIT, UDP, 0)
        return head + one.source[12:] + one.destination[12:] + datagram
    return struct.pack("!IHBB", 6 << 28, length, UDP, HOP_LIMIT) + one.source + one.destination + datagram
