"""Frames through the packet library of the system (libpcap), by scapy: for systems without packet sockets."""

from __future__ import annotations

import select
import sys
import time
from typing import Any

from auditor.addresses import LinkAddress, parse_link
from auditor.errors import UsageError
from auditor.live.filters import filter_text
from auditor.live.model import Frame, InterfaceGoneError

ETHERNET = 1
MAX_FRAMES = 4096  # taken by one call, so that files are changed and marks looked at in time
IDLE_SECONDS = 0.01  # between looks where the system's handle cannot be waited for


class ScapySource:
    """One interface, opened; ``FrameSource``.  The library tells no losses."""

    def __init__(self, interface: str, *, device: LinkAddress | None, snap_octets: int) -> None:
        """Raise ``OSError`` as the system says it, ``UsageError`` where the library is missing."""
        self._interface, self._snap_octets = interface, snap_octets
        self.capture_filter = filter_text(device)
        self._socket = self._open()
        self.link_type = self._link_type()
        self.link_address = self._own_address()

    def _open(self) -> Any:
        try:
            from scapy.config import conf
        except ImportError:
            raise UsageError(
                "", f"recording on this system needs scapy: {sys.executable} -m pip install 'scapy>=2.5'"
            ) from None
        conf.use_pcap = True
        try:
            import scapy.arch.libpcap  # noqa: F401 - makes conf.L2listen

            opened = conf.L2listen(iface=self._interface, filter=self.capture_filter, promisc=True)
        except (ImportError, RuntimeError, ValueError) as error:
            raise OSError(0, str(error)) from error
        except Exception as error:  # the library has an error class of its own, which imports everything
            if "ermission" in str(error):
                raise PermissionError(str(error)) from error
            raise OSError(0, str(error)) from error
        handle = getattr(opened, "pcap_fd", None)
        if handle is not None:
            handle.setnonblock(True)  # the library's own waiting cannot be bounded
        return opened

    def _link_type(self) -> int:
        handle = getattr(self._socket, "pcap_fd", None)
        return int(handle.datalink()) if handle is not None else ETHERNET

    def _own_address(self) -> LinkAddress | None:
        from scapy.interfaces import resolve_iface

        text = getattr(resolve_iface(self._interface), "mac", None)
        if not text or self.link_type != ETHERNET:
            return None
        try:
            link = parse_link(text)
        except ValueError:
            return None
        return link if any(link) else None

    def read(self, seconds: float) -> list[Frame]:
        """See ``FrameSource.read``; frames are cut to the wanted length here."""
        end = time.monotonic() + seconds
        frames: list[Frame] = []
        while len(frames) < MAX_FRAMES:
            frame = self._next()
            if frame is not None:
                frames.append(frame)
            elif frames or time.monotonic() >= end:
                break
            else:
                self._wait(end - time.monotonic())
        return frames

    def _next(self) -> Frame | None:
        try:
            _, octets, moment = self._socket.recv_raw()
        except (OSError, EOFError) as error:
            raise InterfaceGoneError(str(error) or "is gone") from error
        if octets is None:
            return None
        octets = bytes(octets)
        timestamp_ns = time.time_ns() if moment is None else int(moment * 1_000_000) * 1000
        return Frame(timestamp_ns, len(octets), octets[: self._snap_octets])

    def _wait(self, seconds: float) -> None:
        try:
            select.select([self._socket.fileno()], [], [], min(seconds, 0.2))
        except (OSError, ValueError, TypeError):
            time.sleep(min(seconds, IDLE_SECONDS))

    def dropped(self) -> None:
        """Not told."""

    def is_back(self) -> bool:
        """Open the interface anew."""
        try:
            self.close()
            self._socket = self._open()
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Give the handle back."""
        self._socket.close()
