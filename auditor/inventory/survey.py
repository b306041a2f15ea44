"""
What must come from the columns, because neither flows nor messages carry it: pauses and encrypted frames.

Standard: IEEE 802.11-2020 section 9.2.4.1.9 (Protected Frame).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from auditor.addresses import LinkAddress
from auditor.capture.record import CaptureFacts
from auditor.packets.batch import PROTECTED, PacketBatch, link_from_word
from auditor.units import NS_PER_SECOND

MIN_HOLE_NS = (
    120 * NS_PER_SECOND
)  # hosts of a home renew ARP entries and mDNS host records within two minutes
MIN_PAUSE_NS = (
    600 * NS_PER_SECOND
)  # inside a file: a lone device's port is often quiet for minutes, not for ten
HOLE_TIMES_MEAN = 50  # a pause is a hole only if it stands out against the recording's own rhythm
MAX_PAUSES = 1024  # pauses of the recording kept as holes; more mean that it is sparse
MAX_STATIONS = 4096  # radio stations counted; a crowded house is heard by hundreds


class Survey:
    """Gathered batch by batch, vectorised."""

    def __init__(self) -> None:
        self._last_ns: int | None = None
        self._packets = 0
        self._pauses: list[tuple[int, int]] = []
        self._stations: dict[int, tuple[int, int]] = {}
        self.protected: dict[int, int] = {}
        """Encrypted frames by capture."""

    def add(self, batch: PacketBatch) -> None:
        """Look at one batch."""
        if not len(batch):
            return
        times = batch.timestamp_ns
        if self._last_ns is not None:
            self._note_pause(self._last_ns, int(times[0]))
        if len(times) > 1:
            for place in np.flatnonzero(np.diff(times) >= MIN_PAUSE_NS)[:MAX_PAUSES]:
                self._note_pause(int(times[place]), int(times[place + 1]))
        self._last_ns = int(times[-1])
        self._packets += len(batch)
        if int(np.bitwise_or.reduce(batch.marks)) & PROTECTED:
            self._note_protected(batch)

    def _note_pause(self, start: int, end: int) -> None:
        if end - start >= MIN_PAUSE_NS and len(self._pauses) < MAX_PAUSES:
            self._pauses.append((start, end))

    def _note_protected(self, batch: PacketBatch) -> None:
        mask = (batch.marks & PROTECTED) != 0
        captures, frames = np.unique(batch.capture_index[mask], return_counts=True)
        for index, count in zip(captures.tolist(), frames.tolist(), strict=True):
            self.protected[index] = self.protected.get(index, 0) + count
        words, inverse = np.unique(batch.source_link[mask], return_inverse=True)
        counts = np.bincount(inverse, minlength=len(words))
        octets = np.bincount(inverse, weights=batch.original_length[mask], minlength=len(words))
        for word, count, length in zip(words.tolist(), counts.tolist(), octets.tolist(), strict=True):
            if word in self._stations or len(self._stations) < MAX_STATIONS:
                known = self._stations.get(word, (0, 0))
                self._stations[word] = (known[0] + count, known[1] + int(length))

    def protected_by_link(self) -> dict[LinkAddress, tuple[int, int]]:
        """Encrypted frames and their octets by transmitting station."""
        return {link_from_word(word): seen for word, seen in self._stations.items()}

    def holes(self, captures: Sequence[CaptureFacts]) -> tuple[tuple[int, int], ...]:
        """
        Spans in which nothing was recorded.

        Between files they follow from the files' own times; inside a file a
        pause counts where it is long against the mean interval.
        """
        pauses = set(self._pauses)
        spans = sorted(
            (f.first_ns, f.last_ns) for f in captures if f.first_ns is not None and f.last_ns is not None
        )
        reached: int | None = None
        for first, last in spans:
            if reached is not None and first - reached >= MIN_HOLE_NS:
                pauses.add((reached, first))
            reached = last if reached is None else max(reached, last)
        packets = self._packets or sum(facts.packets for facts in captures)
        paused = sum(end - start for start, end in pauses)
        recorded = (spans[-1][1] - spans[0][0] if spans else 0) - paused
        mean = recorded / packets if packets else 0
        return tuple(sorted(p for p in pauses if p[1] - p[0] >= max(MIN_HOLE_NS, HOLE_TIMES_MEAN * mean)))
