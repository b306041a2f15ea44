"""What the recorder is asked for, what it gives back, and what it takes frames and marks from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Protocol

from auditor.addresses import LinkAddress
from auditor.home.model import Action

SNAP_OCTETS = 262_144
"""Kept of a frame unless less is asked for: all of it, on every link known (common practice)."""


class Frame(NamedTuple):
    """One frame as the system hands it over; a tuple, because hundreds of thousands come in a second."""

    timestamp_ns: int
    """Nanoseconds since 1970-01-01T00:00:00Z, by the system's clock."""
    wire_octets: int
    """Octets of the frame on the wire, with the VLAN tag that the system may have taken out."""
    octets: bytes


class FrameSource(Protocol):
    """Where frames come from; open from its making to ``close``."""

    link_type: int
    """Number of the LINKTYPE registry."""
    link_address: LinkAddress | None
    """The interface's own; None where it has none."""
    capture_filter: str | None
    """What was chosen to be recorded, in words; None: everything."""

    def read(self, seconds: float) -> list[Frame]:
        """
        Frames that have come, waiting up to ``seconds`` for the first.

        Raises ``InterfaceGoneError`` once the interface is down or away.
        """

    def dropped(self) -> int | None:
        """Frames lost since the opening; None where the system does not tell."""

    def is_back(self) -> bool:
        """After the interface was gone: try to take it again."""

    def close(self) -> None:
        """Give the socket back."""


class InterfaceGoneError(Exception):
    """The interface is down or away; never leaves this package."""


class MarkSource(Protocol):
    """Where the user's marks come from."""

    def take(self) -> Sequence[Action]:
        """Marks made since the last call, oldest first; never waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingOptions:
    """One recording."""

    interface: str
    """The system's name of the interface."""
    folder: Path
    """Where the files go; must exist."""
    stem: str
    """Beginning of the files' names, of letters, digits, ``-`` and ``_``."""
    file_octets: int
    """A file is completed once it is this long."""
    file_seconds: float | None
    """A file is completed after this time; None: by size alone."""
    keep_files: int
    """Complete files of this stem that stay, the newest; 0: all."""
    stop_seconds: float | None
    """End after this time; None: go on."""
    stop_octets: int | None
    """End once the files of this recording, deleted ones too, hold as much; None: go on."""
    device: LinkAddress | None
    """Record only frames from and to this link address, and those to groups; None: everything."""
    snap_octets: int
    """Octets kept of each frame at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingResult:
    """What was recorded."""

    files: tuple[Path, ...]
    """Complete files of this recording that are still there, oldest first."""
    packets: int
    octets: int
    """Of all files of this recording, deleted ones too."""
    dropped: int | None
    """Frames lost; None where the system does not tell."""
    started_ns: int
    ended_ns: int
    marks: tuple[Action, ...]
    stopped_by: str
    """``time``, ``size``, ``asked``, or ``disk`` where the files could not be written on."""
