"""
Attempts that somebody refused in an ICMP error.

Standards: RFC 792 and the IANA registry of ICMP codes (type 3), RFC 1122
section 3.2.2.1, RFC 1812 section 5.2.7.1; RFC 4443 section 3.1 (ICMPv6 type 1).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, KeyTable, UInt64
from auditor.flows.orientation import PROHIBITED, REFUSED
from auditor.packets.batch import PROTOCOL_ICMP, PROTOCOL_ICMPV6, PacketBatch
from auditor.packets.quoted import decode_quoted

MAX_REFUSALS = 50_000
"""Refused attempts remembered, 100 octets each.  A scan of every port of one host makes 65,535, but hosts
limit the rate of such errors (RFC 1812 section 4.3.2.8).  Attempts refused later read as unanswered."""

UNREACHABLE, UNREACHABLE_V6 = 3, 1
PORT_UNREACHABLE, PORT_UNREACHABLE_V6 = 3, 4
FRAGMENTATION_NEEDED = 4  # the path is narrow, nobody refused anything

ATTEMPT_WORDS = 5


class Refusals:
    """Who refused which attempt; the first error about an attempt is kept."""

    __slots__ = ("_keys", "_outcome", "_reporter_high", "_reporter_low", "unrecorded")

    def __init__(self) -> None:
        self._keys = KeyTable(ATTEMPT_WORDS)
        self._outcome = np.zeros(0, np.int64)
        self._reporter_high = np.zeros(0, np.uint64)
        self._reporter_low = np.zeros(0, np.uint64)
        self.unrecorded = 0
        """Errors that came when ``MAX_REFUSALS`` were known."""

    def __len__(self) -> int:
        return self._keys.count

    def add(self, batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_]) -> None:
        """Take the error messages of a batch in."""
        is_error = (batch.protocol == PROTOCOL_ICMP) & (batch.source_port == UNREACHABLE)
        is_error |= (batch.protocol == PROTOCOL_ICMPV6) & (batch.source_port == UNREACHABLE_V6)
        errors = np.flatnonzero(is_error & (batch.payload_offset >= 0) & ~is_duplicate)
        if not errors.size:
            return
        quoted = decode_quoted(batch, errors)
        counts = (quoted.ip_version == 6) | (quoted.code != FRAGMENTATION_NEEDED)
        is_port = quoted.code == np.where(quoted.ip_version == 6, PORT_UNREACHABLE_V6, PORT_UNREACHABLE)
        keys = attempt_keys(
            quoted.protocol,
            quoted.source_port,
            quoted.destination_port,
            (quoted.source_high, quoted.source_low),
            (quoted.destination_high, quoted.destination_low),
        )
        reporter = quoted.index[counts]
        self._insert(
            keys[:, counts],
            np.where(is_port, REFUSED, PROHIBITED)[counts],
            batch.source_high[reporter],
            batch.source_low[reporter],
        )

    def merge(self, later: Refusals) -> None:
        """Continue with those of the part of the recording that follows."""
        size = len(later)
        self.unrecorded += later.unrecorded
        self._insert(
            later._keys.keys, later._outcome[:size], later._reporter_high[:size], later._reporter_low[:size]
        )

    def find(self, keys: UInt64) -> tuple[Int64, UInt64, UInt64]:
        """Outcome of each attempt, 0 where nobody refused it, and the words of the reporter's address."""
        numbers = self._keys.find(keys)
        if not len(self):
            nothing = np.zeros(len(numbers), np.uint64)
            return np.zeros(len(numbers), np.int64), nothing, nothing
        is_known = numbers >= 0
        return (
            np.where(is_known, self._outcome[numbers], 0),
            np.where(is_known, self._reporter_high[numbers], np.uint64(0)),
            np.where(is_known, self._reporter_low[numbers], np.uint64(0)),
        )

    def _insert(self, keys: UInt64, outcome: Int64, reporter_high: UInt64, reporter_low: UInt64) -> None:
        if not keys.shape[1]:
            return
        known = len(self)
        if known >= MAX_REFUSALS:
            self.unrecorded += int(np.count_nonzero(self._keys.find(keys) < 0))
            return
        numbers = self._keys.locate(keys)
        room = self._keys.room
        if room > len(self._outcome):
            self._outcome = np.resize(self._outcome, room) if known else np.zeros(room, np.int64)
            self._reporter_high = np.resize(self._reporter_high, room) if known else np.zeros(room, np.uint64)
            self._reporter_low = np.resize(self._reporter_low, room) if known else np.zeros(room, np.uint64)
        fresh = np.flatnonzero(numbers >= known)[::-1]  # the earliest is written last
        self._outcome[numbers[fresh]] = outcome[fresh]
        self._reporter_high[numbers[fresh]] = reporter_high[fresh]
        self._reporter_low[numbers[fresh]] = reporter_low[fresh]


def attempt_keys(
    protocol: npt.NDArray[np.integer],
    source_port: npt.NDArray[np.integer],
    destination_port: npt.NDArray[np.integer],
    source: tuple[UInt64, UInt64],
    destination: tuple[UInt64, UInt64],
) -> UInt64:
    """Keys of attempts (``ATTEMPT_WORDS`` × n) as their sender sent them."""
    ports = source_port.astype(np.uint64) | destination_port.astype(np.uint64) << np.uint64(16)
    ports |= protocol.astype(np.uint64) << np.uint64(32)
    return np.stack((ports, *source, *destination))
