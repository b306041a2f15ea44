"""
Frames from a Linux packet socket, through a ring that kernel and program share.

Source: packet(7) and the kernel's ``networking/packet_mmap`` (TPACKET_V3, blocks of frames of any length);
        numbers and layouts from ``if_packet.h`` (from memory, tested against the kernel).
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import mmap
import select
import socket
import struct

from auditor.addresses import LinkAddress
from auditor.errors import JudgementError
from auditor.live.filters import build_filter, filter_text, pack_filter
from auditor.live.model import Frame, InterfaceGoneError

PACKET_ADD_MEMBERSHIP, PACKET_RX_RING, PACKET_STATISTICS, PACKET_VERSION = 1, 5, 6, 10
SOL_PACKET, TPACKET_V3, PACKET_MR_PROMISCUOUS = 263, 2, 1
SO_ATTACH_FILTER = 26
ETHERTYPE_ALL = 3
SIOCGIFFLAGS, SIOCGIFHWADDR = 0x8913, 0x8927
IFF_UP, IFF_LOOPBACK = 0x1, 0x8
OUTGOING = 4  # sll_pkttype

# Hardware types (``if_arp.h``) and the link types that frames of them have in files (the LINKTYPE registry).
LINK_TYPES = {1: 1, 772: 1, 801: 105, 803: 127, 512: 101, 65534: 101, 769: 101, 778: 101}
ETHERNET = 1

BLOCK_OCTETS = 1 << 20
"""A whole frame of the largest segment that a network card hands over (256 KiB) fits several times."""
RING_BLOCKS = (64, 16, 4)
"""64 MiB hold five seconds of a full 100 Mbit/s while a disk is busy; less where memory is short."""
RETIRE_MILLISECONDS = 50
"""A block that is not full is handed over after this time."""

_BLOCK = struct.Struct("=III")  # status, packets, offset of the first; 8 octets into the block
_FRAME = struct.Struct(
    "=IIIIIIHH"
)  # next, seconds, nanoseconds, kept, whole, status, link offset, network offset
_TAG = struct.Struct("=IH")  # tag control, tag protocol; 32 octets into the frame's head
_PACKET_TYPE = 48 + 10  # sll_pkttype behind the head of 48 octets
STATUS_KERNEL, STATUS_USER = 0, 1
STATUS_TAG, STATUS_TAG_PROTOCOL = 1 << 4, 1 << 6
ETHERTYPE_TAGGED = 0x8100
ADDRESSES_OCTETS = 12


class PacketSocket:
    """One interface, opened; ``FrameSource``."""

    def __init__(self, interface: str, *, device: LinkAddress | None, snap_octets: int) -> None:
        """Raise ``OSError`` as the system says it, ``JudgementError`` for a link that no file can hold."""
        self._interface = interface
        # No protocol yet: nothing may come in before the filter and the ring are there.
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        self._ring: mmap.mmap | None = None
        self._block = 0
        self._dropped = 0
        try:
            self._identify(device)
            self.capture_filter = filter_text(device)
            self._attach(build_filter(device, snap_octets))
            self._map_ring()
            self._bind()
        except BaseException:
            self.close()
            raise
        self._poll = select.poll()
        self._poll.register(self._socket, select.POLLIN | select.POLLERR)

    def _identify(self, device: LinkAddress | None) -> None:
        request = struct.pack("16s16x", self._interface.encode()[:15])
        answer = self._ask(SIOCGIFHWADDR, request)
        hardware, octets = struct.unpack_from("=H6s", answer, 16)
        if hardware not in LINK_TYPES:
            raise JudgementError(
                f"{self._interface}: frames of hardware type {hardware} have no place in a capture file"
            )
        self.link_type = LINK_TYPES[hardware]
        if device is not None and self.link_type != ETHERNET:
            raise JudgementError(
                f"{self._interface}: its frames carry no link addresses to choose a device by"
            )
        (flags,) = struct.unpack_from("=H", self._ask(SIOCGIFFLAGS, request), 16)
        if not flags & IFF_UP:
            raise OSError(errno.ENETDOWN, "is down")
        self._is_loopback = bool(flags & IFF_LOOPBACK)
        self.link_address = LinkAddress(octets) if self.link_type == ETHERNET and any(octets) else None

    def _ask(self, request: int, octets: bytes) -> bytes:
        import fcntl  # the module exists only where this class can work

        return fcntl.ioctl(self._socket, request, octets)

    def _attach(self, program: tuple[tuple[int, int, int, int], ...]) -> None:
        octets = ctypes.create_string_buffer(pack_filter(program))
        described = struct.pack("@HP", len(program), ctypes.addressof(octets))
        self._socket.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, described)

    def _map_ring(self) -> None:
        self._socket.setsockopt(SOL_PACKET, PACKET_VERSION, TPACKET_V3)
        for blocks in RING_BLOCKS:
            frames = blocks * (BLOCK_OCTETS // 2048)  # nominal: frames of this version have any length
            request = struct.pack("=7I", BLOCK_OCTETS, blocks, 2048, frames, RETIRE_MILLISECONDS, 0, 0)
            try:
                self._socket.setsockopt(SOL_PACKET, PACKET_RX_RING, request)
                self._ring = mmap.mmap(self._socket.fileno(), blocks * BLOCK_OCTETS)
            except OSError as error:
                if error.errno != errno.ENOMEM or blocks == RING_BLOCKS[-1]:
                    raise
                continue
            self._blocks = blocks
            return

    def _bind(self) -> None:
        self._socket.bind((self._interface, ETHERTYPE_ALL))
        membership = struct.pack("=iHH8x", socket.if_nametoindex(self._interface), PACKET_MR_PROMISCUOUS, 0)
        with contextlib.suppress(OSError):  # some links cannot; what comes by itself is recorded all the same
            self._socket.setsockopt(SOL_PACKET, PACKET_ADD_MEMBERSHIP, membership)

    def read(self, seconds: float) -> list[Frame]:
        """Frames of the blocks that are full or due; see ``FrameSource.read``."""
        frames: list[Frame] = []
        if not self._take_blocks(frames):
            events = self._poll.poll(max(seconds, 0) * 1000)
            self._take_blocks(frames)
            if not frames and any(event & select.POLLERR for _, event in events):
                raise InterfaceGoneError(self._why_gone())
        return frames

    def _why_gone(self) -> str:
        number = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        return "is down" if number in (0, errno.ENETDOWN) else errno.errorcode.get(number, str(number))

    def _take_blocks(self, frames: list[Frame]) -> bool:
        """Take what is ready, a quarter of the ring at most, so that files are changed in time."""
        ring = self._ring
        taken = 0
        while ring is not None and taken < max(self._blocks // 4, 1):
            start = self._block * BLOCK_OCTETS
            status, count, first = _BLOCK.unpack_from(ring, start + 8)
            if not status & STATUS_USER:
                break
            self._read_block(ring, start + first, count, frames)
            struct.pack_into("=I", ring, start + 8, STATUS_KERNEL)
            self._block = (self._block + 1) % self._blocks
            taken += 1
        return taken > 0

    def _read_block(self, ring: mmap.mmap, at: int, count: int, frames: list[Frame]) -> None:
        add, unpack = frames.append, _FRAME.unpack_from
        is_loopback, is_ethernet = self._is_loopback, self.link_type == ETHERNET
        for _ in range(count):
            following, seconds, nanoseconds, kept, whole, status, link, _ = unpack(ring, at)
            # On loopback each packet passes twice, out and in; one of them is enough.
            if not is_loopback or ring[at + _PACKET_TYPE] != OUTGOING:
                start = at + link
                octets = ring[start : start + kept]
                if status & STATUS_TAG and is_ethernet:
                    control, protocol = _TAG.unpack_from(ring, at + 32)
                    known = status & STATUS_TAG_PROTOCOL
                    octets = _with_tag(octets, control, protocol if known else ETHERTYPE_TAGGED)
                    whole += 4
                add(Frame(seconds * 1_000_000_000 + nanoseconds, whole, octets))
            at += following

    def dropped(self) -> int:
        """Frames for which the ring had no room, since the opening; the kernel forgets what it has told."""
        told = self._socket.getsockopt(SOL_PACKET, PACKET_STATISTICS, 12)
        self._dropped += struct.unpack("=III", told)[1]
        return self._dropped

    def is_back(self) -> bool:
        """Take the interface again by its name; needs no rights beyond those of the open socket."""
        try:
            flags = self._ask(SIOCGIFFLAGS, struct.pack("16s16x", self._interface.encode()[:15]))
            if not struct.unpack_from("=H", flags, 16)[0] & IFF_UP:
                return False
            self._bind()
            self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Give ring and socket back."""
        if self._ring is not None:
            self._ring.close()
            self._ring = None
        self._socket.close()


def _with_tag(octets: bytes, control: int, protocol: int) -> bytes:
    """Put the VLAN tag back where IEEE 802.1Q clause 9 has it; the kernel takes it out of the frame."""
    tag = struct.pack("!HH", protocol, control & 0xFFFF)
    return octets[:ADDRESSES_OCTETS] + tag + octets[ADDRESSES_OCTETS:]
