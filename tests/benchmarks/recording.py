"""
How fast the recorder drains a full ring into a file: ``python -m tests.benchmarks.recording`` as root.

Datagrams go to loopback while nobody reads; then the ring is emptied, and only that is timed.  Twice: reading
alone, and with blocks built and written as the recorder does.
"""

from __future__ import annotations

import socket
import tempfile
import time
from pathlib import Path

from auditor.capture.record import InterfaceFacts
from auditor.capture.writer import pack_packet
from auditor.live.packet_socket import PacketSocket
from auditor.live.ring import RingFile

DATAGRAMS = 60_000
OCTETS = 100


def drain(folder: Path | None) -> float:
    """Packets a second of processor time: others that use the machine do not count."""
    source = PacketSocket("lo", device=None, snap_octets=262_144)
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    for _ in range(DATAGRAMS):
        sender.sendto(bytes(OCTETS), receiver.getsockname())
    time.sleep(0.2)
    file = None
    if folder is not None:
        file = RingFile(folder, "drain", time.time_ns(), InterfaceFacts(link_type=1, snap_length=0))
    count = 0
    began = time.process_time()
    while count < DATAGRAMS:
        frames = source.read(0.5)
        if not frames:
            break
        if file is not None:
            blocks = [pack_packet(moment, octets, wire) for moment, wire, octets in frames]
            file.write(b"".join(blocks), len(blocks))
        count += len(frames)
    took = time.process_time() - began
    print(f"  {count} packets, {source.dropped()} lost")
    source.close()
    return count / took


def main() -> None:
    """Three rounds of each."""
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(3):
            print(f"read alone: {drain(None):,.0f} packets/s")
            print(f"into a file: {drain(Path(folder)):,.0f} packets/s")


if __name__ == "__main__":
    main()
