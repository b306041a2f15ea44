"""The second reading: which packets go into the copy, and with how much of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from auditor.addresses import Address, LinkAddress
from auditor.capture.writer import PacketRecord
from auditor.flows.flow import PacketReference
from auditor.home.model import Action
from auditor.packets.batch import (
    FIRST_FRAGMENT,
    LATER_FRAGMENT,
    MANAGEMENT,
    PROTOCOL_TCP,
    PROTOCOL_UDP,
    PacketBatch,
    address_from_words,
    link_from_word,
)
from auditor.reduction.frame import FrameRewriter, Packet
from auditor.reduction.home import comment_of
from auditor.reduction.survey import Survey, conversation_of
from auditor.registries import LINK_IEEE802_11, LINK_IEEE802_11_RADIOTAP

MAX_OPENING_PACKETS = 16
"""Payloads kept of each direction of an encrypted conversation: its handshake; what follows is noise."""
MAX_COUNTED = 65_536
"""Directions whose payloads are counted; of further ones only headers stay."""

MAX_WITNESS_PAIRS = 64
"""Pairs of others of which headers stay; some homes have more, and a few tell the recorder's place."""
MAX_WITNESSES = 3
"""Packets of each such pair and direction, headers alone."""

ENCRYPTED_PROTOCOLS = frozenset({"tls", "ssh", "dtls", "quic"})


@dataclass(slots=True)
class Copied:
    """What became of the packets."""

    read: int = 0
    kept: int = 0
    with_payload: int = 0
    numbers: dict[PacketReference, int] = field(default_factory=dict)
    """For packets that findings name: their numbers in the copy."""


class Copier:
    """Turns batches into records of the copy."""

    def __init__(
        self,
        survey: Survey,
        rewriter: FrameRewriter,
        first_interfaces: list[int],
        marks: Mapping[PacketReference, Action] | None = None,
    ) -> None:
        """
        ``first_interfaces``: of each capture, the number of its first interface in the copy; ``marks``: noted
        actions, which stay on their packets.
        """
        self.marks_left = dict(marks or {})
        """Actions on packets that the copy does not hold."""
        self._survey = survey
        self._rewriter = rewriter
        self._first_interfaces = first_interfaces
        self._links = np.array([int.from_bytes(link, "little") for link in survey.links], np.uint64)
        halves = [
            (int.from_bytes(one[:8], "little"), int.from_bytes(one[8:], "little")) for one in survey.addresses
        ]
        self._halves = [(np.uint64(high), np.uint64(low)) for high, low in halves]
        self._numbers = np.array(sorted(one.packet_number for one in survey.finding_packets), np.int64)
        self._openings: Counter[tuple[Address, int, Address, int]] = Counter()
        self._compressed: set[tuple[Address, int, Address, int]] = set()
        self._witnesses: Counter[tuple[int, int]] = Counter()
        self.copied = Copied()

    def records(self, batch: PacketBatch) -> Iterator[PacketRecord]:
        """Records of one batch, in its order."""
        from_chosen = self._of_chosen(batch.source_link, batch.source_high, batch.source_low)
        to_chosen = self._of_chosen(batch.destination_link, batch.destination_high, batch.destination_low)
        named = np.isin(batch.packet_number, self._numbers)
        self.copied.read += len(batch)
        for row in np.flatnonzero(from_chosen | to_chosen | named | self._perhaps(batch)).tolist():
            reference = PacketReference(int(batch.capture_index[row]), int(batch.packet_number[row]))
            touches = bool(from_chosen[row] or to_chosen[row]) or reference in self._survey.leases
            is_named = reference in self._survey.finding_packets
            if not (touches or is_named or self._is_witness(batch, row)):
                continue
            packet = _packet(
                batch, row, from_chosen=bool(from_chosen[row]), is_named=is_named, links=self._survey.links
            )
            keep = (touches or is_named) and self._keeps_payload(packet, reference)
            packet = replace(packet, is_mqtt=keep and "mqtt" in self._protocols(packet))
            octets = self._rewriter.rewrite(packet, keep_payload=keep)
            self.copied.kept += 1
            self.copied.with_payload += keep and packet.payload_length > 0
            if is_named:
                self.copied.numbers[reference] = self.copied.kept
            mark = self.marks_left.pop(reference, None)
            yield PacketRecord(
                timestamp_ns=int(batch.timestamp_ns[row]),
                octets=octets,
                original_length=max(int(batch.original_length[row]), len(octets)),
                interface_id=self._first_interfaces[reference.capture_index] + int(batch.interface_id[row]),
                comments=() if mark is None else (comment_of(mark),),
            )

    @staticmethod
    def _perhaps(batch: PacketBatch) -> npt.NDArray[np.bool_]:
        ported = (batch.protocol == PROTOCOL_TCP) | (batch.protocol == PROTOCOL_UDP)
        found: npt.NDArray[np.bool_] = (
            ported
            & (batch.destination_link != 0)
            & ((batch.destination_link & np.uint64(1) == 0) | (batch.destination_port == 68))
        )
        return found

    def _is_witness(self, batch: PacketBatch, row: int) -> bool:
        """A first packet of two others: it shows where the recorder stood, which every judgement hangs on."""
        pair = (int(batch.source_link[row]), int(batch.destination_link[row]))
        if pair[1] & 1:
            return False
        if pair not in self._witnesses and len(self._witnesses) >= MAX_WITNESS_PAIRS:
            return False
        self._witnesses[pair] += 1
        return self._witnesses[pair] <= MAX_WITNESSES

    def _of_chosen(
        self, links: npt.NDArray[np.uint64], high: npt.NDArray[np.uint64], low: npt.NDArray[np.uint64]
    ) -> npt.NDArray[np.bool_]:
        found: npt.NDArray[np.bool_] = np.isin(links, self._links)
        for one_high, one_low in self._halves:
            found |= (high == one_high) & (low == one_low)
        return found

    def _keeps_payload(self, packet: Packet, reference: PacketReference) -> bool:
        survey = self._survey
        if survey.is_full or reference in survey.cut or packet.protocol not in (PROTOCOL_TCP, PROTOCOL_UDP):
            return False
        ends = (packet.source, packet.source_port, packet.destination, packet.destination_port)
        protocols = self._protocols(packet)
        if not protocols or not packet.payload_length:
            return False
        if protocols & ENCRYPTED_PROTOCOLS:
            if ends not in self._openings and len(self._openings) >= MAX_COUNTED:
                return False
            self._openings[ends] += 1
            return self._openings[ends] <= MAX_OPENING_PACKETS
        return not self._is_compressed(packet, ends)

    def _protocols(self, packet: Packet) -> AbstractSet[str]:
        ends = (packet.source, packet.source_port, packet.destination, packet.destination_port)
        return self._survey.conversations.get(conversation_of(*ends), frozenset())

    def _is_compressed(self, packet: Packet, ends: tuple[Address, int, Address, int]) -> bool:
        """A body with a content coding (RFC 9110 8.4) hides what must go: it goes with its head."""
        head = packet.frame[packet.payload_offset :][: packet.payload_length].lower()
        if b"\ncontent-encoding:" in head:
            if len(self._compressed) < MAX_COUNTED:
                self._compressed.add(ends)
            return True
        if head.startswith((b"http/1", b"get ", b"post ", b"put ")):
            self._compressed.discard(ends)
        return ends in self._compressed or len(self._compressed) >= MAX_COUNTED


def _packet(
    batch: PacketBatch, row: int, *, from_chosen: bool, is_named: bool, links: AbstractSet[LinkAddress]
) -> Packet:
    start, length = int(batch.frame_offset[row]), int(batch.captured_length[row])
    frame = bytes(batch.buffer[start : start + length])
    payload = int(batch.payload_offset[row])
    link_type = int(batch.link_type[row])
    wireless = -1
    if link_type == LINK_IEEE802_11:
        wireless = 0
    elif link_type == LINK_IEEE802_11_RADIOTAP and length >= 4:
        wireless = min(length, int.from_bytes(frame[2:4], "little"))
    marks = int(batch.marks[row])
    return Packet(
        frame=frame,
        source_link=LinkAddress(link_from_word(int(batch.source_link[row]))),
        destination_link=LinkAddress(link_from_word(int(batch.destination_link[row]))),
        source=address_from_words(int(batch.source_high[row]), int(batch.source_low[row])),
        destination=address_from_words(int(batch.destination_high[row]), int(batch.destination_low[row])),
        ip_version=int(batch.ip_version[row]),
        ethertype=int(batch.ethertype[row]),
        protocol=int(batch.protocol[row]),
        source_port=int(batch.source_port[row]),
        destination_port=int(batch.destination_port[row]),
        payload_offset=-1 if payload < 0 else payload - start,
        payload_length=int(batch.payload_length[row]),
        is_whole=int(batch.payload_missing[row]) == 0,
        is_fragment=bool(marks & (FIRST_FRAGMENT | LATER_FRAGMENT)),
        wireless_offset=wireless,
        is_management=bool(marks & MANAGEMENT),
        shows_network=is_named or (wireless >= 0 and frame[wireless + 16 : wireless + 22] in links),
        from_chosen=from_chosen,
    )
