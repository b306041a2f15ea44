"""What the readers of capture files deliver: chunks of records, and what the file says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.addresses import LinkAddress
from auditor.value_class import value_class

SLACK = 192
"""
Octets that stand readable behind the last record of a chunk's buffer.

Columns are gathered with fixed-width reads at any offset; the slack lets the
last record be read so without a test of each offset.  It must cover the widest
run of headers read at once.
"""

Int64Column = npt.NDArray[np.int64]


class IssueKind(StrEnum):
    """What can be wrong with a recording (house contract, ``captures[].issues[].kind``)."""

    DAMAGED = "damaged"
    CUT_SHORT = "cut-short"
    CLIPPED = "clipped"
    DROPPED = "dropped"
    HOLE = "hole"
    DUPLICATES = "duplicates"
    FILTERED = "filtered"
    BYPASSED = "bypassed"
    CLOCK = "clock"
    UNSUPPORTED = "unsupported"


@value_class
class CaptureIssue:
    """Something that a recording lacks or got wrong."""

    kind: IssueKind
    count: int
    """Packets, octets or occurrences, as ``detail`` says."""
    detail: str
    """One line for people; names the place (octet offset or packet number) where there is one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordChunk:
    """
    A run of records whose octets stand in one buffer.

    All columns have one entry a record.  The buffer is reused by the reader for
    the next chunk: whoever needs octets longer must copy them.
    """

    buffer: bytearray
    """Octets of the file, then at least ``SLACK`` readable octets."""
    offsets: Int64Column
    """Where each frame begins in ``buffer``."""
    captured_length: Int64Column
    """Octets of the frame that are in the file; offset + captured_length never passes the true data."""
    original_length: Int64Column
    """Octets of the frame on the wire."""
    timestamp_ns: Int64Column
    """Nanoseconds since 1970-01-01T00:00:00Z."""
    link_type: Int64Column
    """Number of the LINKTYPE registry (draft-ietf-opsawg-pcaplinktype), low 16 bits; may be a broadcast."""
    interface_id: Int64Column
    """Interface in the order of the whole file, counted on over sections; 0 in a pcap; may be a broadcast."""
    packet_number: Int64Column
    """From 1 in the order of the file, as packet viewers count."""
    capture_index: Int64Column
    """Which capture of the run, from 0; may be a broadcast."""

    def __len__(self) -> int:
        return len(self.offsets)


@value_class
class InterfaceFacts:
    """One interface of a capture (pcapng Interface Description Block; one stands for the whole of a pcap)."""

    link_type: int
    snap_length: int
    """Octets; 0: unlimited or not said."""
    name: str | None = None
    description: str | None = None
    capture_filter: str | None = None
    """The filter's text, or ``(compiled)`` where only its code was kept."""
    hardware: str | None = None
    operating_system: str | None = None
    received: int | None = None
    """Packets that the interface saw, as the last statistics block says."""
    dropped: int | None = None
    """Packets lost by interface and system together; None: the file does not say."""
    link_address: LinkAddress | None = None
    """The interface's own, where the file says it."""


@value_class
class CaptureComment:
    """A comment inside the file; the recorder writes the user's actions so."""

    text: str
    timestamp_ns: int | None
    """The packet's time; None for a comment on the section or interface."""
    packet_number: int | None


@value_class
class CaptureFacts:
    """All that one capture file says of itself, complete once it has been read to its end."""

    name: str
    """The file's name without folders, or ``-``."""
    sha256: str
    """Of the file's octets as stored, compressed or not."""
    octets: int
    """Of the file as stored."""
    format: str
    """``pcap`` or ``pcapng``, with ``+gzip`` or ``+zstd`` where compressed."""
    packets: int
    first_ns: int | None
    last_ns: int | None
    interfaces: tuple[InterfaceFacts, ...]
    issues: tuple[CaptureIssue, ...]
    comments: tuple[CaptureComment, ...]
    clipped_packets: int
    """Packets of which the snap length cut octets off."""

    def as_counts(self) -> dict[str, Any]:
        """The figures alone, for logs and tests."""
        return {"packets": self.packets, "octets": self.octets, "clipped": self.clipped_packets}
