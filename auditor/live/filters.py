"""
Choose frames inside the kernel: a few instructions of the classic packet filter.

Source: S. McCanne, V. Jacobson, "The BSD Packet Filter" (USENIX Winter 1993), section 3.3: the machine and
        its instructions; their numbers from Linux ``filter.h`` (from memory, tested against the kernel).
"""

from __future__ import annotations

import struct

from auditor.addresses import LinkAddress, format_link

LOAD_WORD, LOAD_HALF, LOAD_OCTET = 0x20, 0x28, 0x30  # from an absolute offset of the frame
JUMP_EQUAL, JUMP_ANY_BIT = 0x15, 0x45
RETURN = 0x06
DESTINATION, SOURCE = 0, 6  # offsets of the link addresses (IEEE 802.3 clause 3.2)
GROUP_BIT = 0x01  # IEEE 802-2014 section 8.2.2

Instruction = tuple[int, int, int, int]
"""Code, skip if true, skip if false, operand."""


def build_filter(device: LinkAddress | None, snap_octets: int) -> tuple[Instruction, ...]:
    """
    Build the program that keeps ``snap_octets`` of every frame, or of those of one device.

    Of one device: its link address as source or destination, or a group as
    destination, broadcast among them.  Frames that end before their link
    addresses do are left out by the machine itself.
    """
    keep = (RETURN, 0, 0, snap_octets)
    if device is None:
        return (keep,)
    first, last = struct.unpack("!HI", device)
    return (
        (LOAD_OCTET, 0, 0, DESTINATION),
        (JUMP_ANY_BIT, 8, 0, GROUP_BIT),
        (LOAD_WORD, 0, 0, DESTINATION + 2),
        (JUMP_EQUAL, 0, 2, last),
        (LOAD_HALF, 0, 0, DESTINATION),
        (JUMP_EQUAL, 4, 0, first),
        (LOAD_WORD, 0, 0, SOURCE + 2),
        (JUMP_EQUAL, 0, 3, last),
        (LOAD_HALF, 0, 0, SOURCE),
        (JUMP_EQUAL, 0, 1, first),
        keep,
        (RETURN, 0, 0, 0),
    )


def pack_filter(program: tuple[Instruction, ...]) -> bytes:
    """Octets of the program as the kernel takes them: code, two skips, operand, in the machine's order."""
    return b"".join(struct.pack("=HBBI", *instruction) for instruction in program)


def filter_text(device: LinkAddress | None) -> str | None:
    """The same choice as a filter expression (draft-ietf-opsawg-pcapng section 4.2, if_filter)."""
    return None if device is None else f"ether host {format_link(device)} or ether multicast"
