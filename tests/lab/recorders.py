"""Our recorder inside a room of the lab, and what its files hold as other libraries read them."""

from __future__ import annotations

import re
import sys
from collections import Counter
from pathlib import Path

import dpkt
from scapy.utils import RawPcapNgReader

from tests.lab.house import ROOT, Deed, House

RECORD = (sys.executable, "-m", "auditor", "record")


def start_recording(house: House, room: str, interface: str, folder: Path, *options: str) -> None:
    """Start ``auditor record`` and wait until it records."""
    house.start(
        room, "env", f"PYTHONPATH={ROOT}", *RECORD, interface, "--folder", folder, *options,
        ready="recording " + interface,
    )  # fmt: skip


def end_recording(house: House) -> str:
    """Interrupt the recorder that was started last, as Ctrl-C does; what it said."""
    process, log = house._processes.pop(), house._logs[-1]
    # ``ip netns exec`` becomes the program: the process number is the recorder's own.
    process.send_signal(2)
    status = process.wait(30)
    said = log.read_text("utf-8", "replace")
    assert status in (0, 3), said
    return said


def said_losses(said: str) -> int:
    """Packets that the recorder says it lost."""
    return int(re.search(r"packets recorded, (\d+) lost", said)[1])


def files(folder: Path) -> list[Path]:
    """Complete files, oldest first."""
    return sorted(folder.glob("*.pcapng"))


def frames(paths: list[Path]) -> list[bytes]:
    """Frames of all files as dpkt reads them; scapy has to read the same."""
    found: list[bytes] = []
    for path in paths:
        with path.open("rb") as file:
            theirs = [octets for _, octets in dpkt.pcapng.Reader(file)]
        with RawPcapNgReader(str(path)) as reader:
            others = [octets for octets, _ in reader]
        assert theirs == others
        found += theirs
    return found


def classic_frames(path: Path) -> list[bytes]:
    """Frames of the other recorder's file."""
    with path.open("rb") as file:
        return [octets for _, octets in dpkt.pcap.Reader(file)]


def difference(ours: list[bytes], theirs: list[bytes]) -> tuple[int, int]:
    """How many frames only we have, and only they."""
    mine, other = Counter(ours), Counter(theirs)
    return (mine - other).total(), (other - mine).total()


__all__ = [
    "Deed",
    "classic_frames",
    "difference",
    "end_recording",
    "files",
    "frames",
    "said_losses",
    "start_recording",
]
