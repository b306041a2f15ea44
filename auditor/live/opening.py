"""Open an interface by whatever this system offers, and say what to type where it refuses."""

from __future__ import annotations

import errno
import socket
import sys

from auditor.errors import UsageError
from auditor.live.model import FrameSource, RecordingOptions


def open_source(options: RecordingOptions) -> FrameSource:
    """Open the interface; raises ``UsageError`` with what to do, or ``JudgementError``."""
    try:
        if hasattr(socket, "AF_PACKET"):
            from auditor.live.packet_socket import PacketSocket

            return PacketSocket(options.interface, device=options.device, snap_octets=options.snap_octets)
        from auditor.live.scapy_source import ScapySource

        return ScapySource(options.interface, device=options.device, snap_octets=options.snap_octets)
    except PermissionError:
        raise UsageError("", missing_rights(options.interface, sys.platform)) from None
    except OSError as error:
        raise UsageError("INTERFACE", _refusal(options.interface, error)) from None


def missing_rights(interface: str, system: str) -> str:
    """What to type on a system that reserves recording to some."""
    if system.startswith("linux"):
        return (
            f"recording {interface} needs a right that this user does not have; run it with sudo (it gives "
            "up every right once the interface is open), or give that one right to this Python: "
            f"sudo setcap cap_net_raw=ep {_interpreter()}"
        )
    if system == "darwin":
        return (
            f"recording {interface} needs to open /dev/bpf*; run it with sudo, or for this session let "
            "your group read it: sudo chgrp staff /dev/bpf* && sudo chmod g+rw /dev/bpf*"
        )
    return (
        f"recording {interface} needs a packet driver for libpcap and, unless that was installed for "
        "everybody, a terminal started with 'Run as administrator'"
    )


def _interpreter() -> str:
    import os

    return os.path.realpath(sys.executable)


def _refusal(interface: str, error: OSError) -> str:
    if error.errno in (errno.ENODEV, errno.ENXIO):
        try:
            names = ", ".join(sorted(name for _, name in socket.if_nameindex()))
        except OSError:
            names = ""
        return f"there is no interface {interface}; this system has {names or 'none that it tells'}"
    if error.errno == errno.ENETDOWN:
        return f"{interface} is down; connect it, or: sudo ip link set {interface} up"
    return f"{interface} cannot be recorded: {error.strerror or error}"
