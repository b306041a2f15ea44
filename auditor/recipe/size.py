"""
How much a recording takes on the disk, as sums that a reader can check.

A packet in pcapng takes its octets, padded to four, and 32 more
(draft-ietf-opsawg-pcapng, enhanced packet block, without options).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

BLOCK_OCTETS = 32
"""Of an enhanced packet block around the packet's own octets."""

SHOW_RATE = 44
"""Packets a second and universe: the fastest full refresh of a DMX512 line (ANSI E1.11, 512 slots), to which
E1.31 senders keep (common practice)."""
SHOW_FRAME_OCTETS = 680
"""Ethernet, IPv4, UDP and an E1.31 data packet of 512 slots: 14 + 20 + 8 + 638 (ANSI E1.31 section 4)."""

POLL_FRAMES = 10
"""Of one request on a connection of its own: three to open, four to close, request, answer and their
acknowledgements, some of which are joined (RFC 9293 section 3.5, 3.6)."""
POLL_FRAME_OCTETS = 128
"""Mean of such frames with a short request and answer (common practice)."""

QUIET_OCTETS_A_MINUTE = 60_000
"""Of one light with app and cloud: keep-alives, announcements, time, names (common practice, rounded up)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One summand."""

    what: str
    sum_text: str
    octets: int


def frame_octets(octets: int) -> int:
    """On the disk, of one frame of so many octets."""
    return math.ceil(octets / 4) * 4 + BLOCK_OCTETS


def estimate(minutes: int, *, polls_hub: bool, universes: int) -> tuple[Part, ...]:
    """The parts of one light's recording; their sum is the estimate."""
    seconds = minutes * 60
    parts = [
        Part(
            what="the light at rest, with app and outside contacts",
            sum_text=f"{minutes} min x {QUIET_OCTETS_A_MINUTE:,} octets",
            octets=minutes * QUIET_OCTETS_A_MINUTE,
        )
    ]
    if polls_hub:
        one = frame_octets(POLL_FRAME_OCTETS)
        parts.append(
            Part(
                what="a question to the hub every second, each on a connection of its own",
                sum_text=f"{seconds} s x {POLL_FRAMES} frames x {one} octets",
                octets=seconds * POLL_FRAMES * one,
            )
        )
    if universes:
        one = frame_octets(SHOW_FRAME_OCTETS)
        parts.append(
            Part(
                what=f"lighting data of {universes} universe{'s' if universes > 1 else ''}",
                sum_text=f"{seconds} s x {universes} x {SHOW_RATE} frames x {one} octets",
                octets=seconds * universes * SHOW_RATE * one,
            )
        )
    return tuple(parts)


def readable(octets: int) -> str:
    """Decimal units (IEC 80000-13: kB is a thousand), two figures."""
    size = float(octets)
    for unit in ("octets", "kB", "MB", "GB"):
        if size < 1000 or unit == "GB":
            break
        size /= 1000
    return f"{size:.0f} {unit}" if size >= 10 or unit == "octets" else f"{size:.1f} {unit}"
