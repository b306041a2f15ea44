"""
Frames of QUIC's Initial packets, and the hello message that they carry in pieces.

Standards: RFC 9000 section 12.4 (which frames may stand there), 16 (integers), 19 (frames).
Keeps:     the octets of CRYPTO frames until the hello message is whole, and the code of a closing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from auditor.errors import LimitError, MalformedError
from auditor.wire import Cursor

# RFC 9000 19
PADDING, PING, ACK, ACK_ECN, CRYPTO, CONNECTION_CLOSE = 0, 1, 2, 3, 6, 0x1C

MAX_HELLO_OCTETS = 8_192
"""Of one hello message with what stands behind it: those with large key shares have 1,800."""
MAX_PIECES = 64
"""CRYPTO frames kept: senders that shuffle them make some ten a datagram, and two datagrams a hello."""
HANDSHAKE_HEADER_OCTETS = 4  # RFC 8446 section 4

_PADDING = re.compile(rb"\0+")


@dataclass(frozen=True, slots=True)
class Frames:
    """What one packet's frames say."""

    pieces: tuple[tuple[int, bytes], ...]
    """Offset and octets of CRYPTO frames."""
    close_error: int | None
    """Error code of a CONNECTION_CLOSE."""


@dataclass(slots=True)
class HelloOctets:
    """The beginning of one side's handshake, put together from its pieces."""

    pieces: dict[int, bytes] = field(default_factory=dict)
    """By offset; of two at one offset the longer one stands."""
    held_octets: int = 0

    def add(self, offset: int, octets: bytes, place: int) -> None:
        """
        Take a piece in.

        Raises:
            LimitError: more or farther than the bounds; ``place`` is where the frame stands.
        """
        if offset + len(octets) > MAX_HELLO_OCTETS:
            raise LimitError("crypto_offset", place, f"{offset} + {len(octets)} > {MAX_HELLO_OCTETS}")
        known = self.pieces.get(offset, b"")
        if len(octets) <= len(known):
            return
        self.held_octets += len(octets) - len(known)
        # Overlapping pieces at other offsets could hold much more than the message has.
        if self.held_octets > MAX_HELLO_OCTETS or len(self.pieces) >= MAX_PIECES:
            raise LimitError(
                "crypto_data", place, f"more than {MAX_PIECES} pieces or {MAX_HELLO_OCTETS} octets"
            )
        self.pieces[offset] = octets

    def message(self) -> tuple[int, bytes] | None:
        """Type and body of the first handshake message (RFC 8446 section 4); None: it is not whole yet."""
        whole = bytearray()
        for offset, octets in sorted(self.pieces.items()):
            if offset > len(whole):
                break
            whole += octets[len(whole) - offset :]
        if len(whole) < HANDSHAKE_HEADER_OCTETS:
            return None
        end = HANDSHAKE_HEADER_OCTETS + int.from_bytes(whole[1:4], "big")
        return (whole[0], bytes(whole[HANDSHAKE_HEADER_OCTETS:end])) if len(whole) >= end else None


def variable_integer(cursor: Cursor, field_name: str) -> int:
    """Read an integer of 1, 2, 4 or 8 octets (RFC 9000 section 16)."""
    first = cursor.uint(1, field_name)
    rest = (1 << (first >> 6)) - 1
    return (first & 0x3F) << (8 * rest) | cursor.uint(rest, field_name)


def parse_initial_frames(payload: bytes, place: int) -> Frames:
    """
    Parse the frames of an Initial packet.

    ``place``: octets of the datagram before the payload, so that errors name
    where in the datagram they are.

    Raises:
        DecodeError: a frame that may not stand there, or one that passes the end.
    """
    data = bytes(place) + payload
    cursor = Cursor(data, place)
    pieces: list[tuple[int, bytes]] = []
    close_error: int | None = None
    while cursor.remaining:  # each turn reads an octet or more
        padding = _PADDING.match(data, cursor.offset)
        if padding is not None:
            cursor.offset = padding.end()
            continue
        at = cursor.offset
        kind = variable_integer(cursor, "frame_type")
        if kind == CRYPTO:
            offset = variable_integer(cursor, "crypto_offset")
            pieces.append((offset, cursor.take(variable_integer(cursor, "crypto_length"), "crypto_data")))
        elif kind in (ACK, ACK_ECN):
            _pass_acknowledgement(cursor, has_counts=kind == ACK_ECN)
        elif kind == CONNECTION_CLOSE:
            close_error = variable_integer(cursor, "error_code")
            variable_integer(cursor, "error_frame_type")
            cursor.take(variable_integer(cursor, "reason_length"), "reason")
        elif kind != PING:
            raise MalformedError("frame_type", at, f"{kind} in an Initial packet")
    return Frames(tuple(pieces), close_error)


def _pass_acknowledgement(cursor: Cursor, *, has_counts: bool) -> None:
    """Read over an ACK frame (RFC 9000 19.3)."""
    variable_integer(cursor, "largest_acknowledged")
    variable_integer(cursor, "ack_delay")
    ranges = variable_integer(cursor, "ack_range_count")
    variable_integer(cursor, "first_ack_range")
    for _ in range(
        2 * ranges + (3 if has_counts else 0)
    ):  # each turn reads an octet, or ends at the frame's end
        variable_integer(cursor, "ack_range")
