"""
A number for each conversation, equal for both directions, computed on whole columns.

Numbers stand for conversations without comparing their ends: 64 bits make two
equal ones in a recording of a million conversations unlikely by 1 to 37
million.  They also pick the slots of ``interest``, where two conversations may
share one and a packet is then looked at in vain.  Which ones share must not
differ from run to run, because what is looked at can be told as unknown: the
multipliers follow from the recording itself.  Whoever makes a recording could so
make many share a slot; it costs looks, each of them bounded, and nothing else.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import Int64Column, PacketBatch, UInt64Column

Mask = npt.NDArray[np.bool_]

MULTIPLIERS = 6
SEED_PACKETS = 1024
"""Packets whose times and lengths make the multipliers: no two recordings agree in so many."""


class Numbers:
    """Numbers of one recording."""

    __slots__ = ("_mix",)

    def __init__(self) -> None:
        self._mix: list[np.uint64] = []

    def of_packets(self, batch: PacketBatch, rows: Int64Column) -> tuple[UInt64Column, Mask]:
        """The number of each packet's conversation, and which of its directions the packet goes."""
        self._seed(batch)
        first, second = (
            self._end(high[rows], low[rows], port[rows])
            for high, low, port in (
                (batch.source_high, batch.source_low, batch.source_port),
                (batch.destination_high, batch.destination_low, batch.destination_port),
            )
        )
        return self._pair(first, second, batch.protocol[rows]), first < second

    def of_frames(self, batch: PacketBatch, rows: Int64Column) -> tuple[UInt64Column, Mask]:
        """As ``of_packets``, of frames without IP: between two link addresses, by ethertype."""
        self._seed(batch)
        low = np.zeros(len(rows), np.uint64)
        port = np.zeros(len(rows), np.uint16)
        first, second = (
            self._end(link[rows], low, port) for link in (batch.source_link, batch.destination_link)
        )
        return self._pair(first, second, batch.ethertype[rows]), first < second

    def _seed(self, batch: PacketBatch) -> None:
        if self._mix:
            return
        digest = hashlib.blake2b(digest_size=8 * MULTIPLIERS, person=b"conversations")
        for column in (batch.timestamp_ns, batch.payload_length):
            digest.update(np.ascontiguousarray(column[:SEED_PACKETS]).tobytes())
        octets = digest.digest()
        self._mix = [
            np.uint64(int.from_bytes(octets[place : place + 8], "little") | 1)
            for place in range(0, 8 * MULTIPLIERS, 8)
        ]

    def _pair(self, first: UInt64Column, second: UInt64Column, kind: npt.NDArray[Any]) -> UInt64Column:
        number: UInt64Column = first + second
        number *= self._mix[4]
        number ^= number >> np.uint64(31)
        number += first ^ second
        number += kind.astype(np.uint64) * self._mix[5]
        number *= self._mix[3]
        number ^= number >> np.uint64(29)
        return number

    def _end(self, high: UInt64Column, low: UInt64Column, port: npt.NDArray[np.uint16]) -> UInt64Column:
        mixed: UInt64Column = high * self._mix[0]
        mixed ^= mixed >> np.uint64(32)
        mixed += low
        mixed *= self._mix[1]
        mixed ^= mixed >> np.uint64(29)
        mixed += port
        mixed *= self._mix[2]
        mixed ^= mixed >> np.uint64(32)
        return mixed
