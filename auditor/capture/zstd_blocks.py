"""Where the frames and blocks of Zstandard end (RFC 8878 section 3.1)."""

from __future__ import annotations

ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"  # RFC 8878 3.1.1
ZSTD_SKIPPABLE = (0x184D2A50, 0x184D2A5F)  # RFC 8878 3.1.2, little-endian, sixteen magics

# What is given to zstd at once, in whole blocks where one is larger.  A block of 4 octets may stand for
# 128 KiB (RFC 8878 3.1.1.2.2), so that this many never become more than 32 MiB, whatever the file claims.
ZSTD_FEED_OCTETS = 1024
ZSTD_RUN = 1  # type of a block that is one octet, repeated (RFC 8878 3.1.1.2.2)
MAX_ZSTD_BLOCK_OCTETS = 1 << 17  # RFC 8878 3.1.1.2.3; a block that claims more is damaged


def is_skippable(head: bytes) -> bool:
    """Whether a frame of the user's begins with these four octets."""
    return ZSTD_SKIPPABLE[0] <= int.from_bytes(head, "little") <= ZSTD_SKIPPABLE[1]


class ZstdBlocks:
    """
    Where the blocks of zstd frames end, so that each call of the library gets whole ones.

    Small pieces cost more in calls than in decompressing; of pieces with many
    large blocks a damaged one would lose what stands before it, and a bomb
    would come out as a whole.  Nothing is judged here: what breaks the format
    the library says.
    """

    def __init__(self) -> None:
        self._left = 0
        """Octets to the end of the block, or of what else stands there."""
        self._in_frame = False
        self._checksum_octets = 0

    def piece(self, stored: bytes, at: int) -> int:
        """How many octets from ``at`` to hand on now; 0: what follows ends inside a head."""
        start = at
        while at < len(stored) and at - start < ZSTD_FEED_OCTETS:
            if not self._left:
                if at > start and not self._in_frame:
                    break  # the library shall end a frame before the next one is looked at
                self._left = self._next(stored, at)
                if not self._left:
                    break
            step = min(self._left, len(stored) - at)
            if at > start and step > ZSTD_FEED_OCTETS:
                break
            at += step
            self._left -= step
        return at - start

    def _next(self, stored: bytes, at: int) -> int:
        """Length of what begins at ``at``; 0 where its head is cut by the end of ``stored``."""
        if self._in_frame:
            if at + 3 > len(stored):
                return 0
            head = int.from_bytes(stored[at : at + 3], "little")  # RFC 8878 3.1.1.2
            length = 1 if head >> 1 & 3 == ZSTD_RUN else min(head >> 3, MAX_ZSTD_BLOCK_OCTETS)
            self._in_frame = not head & 1
            return 3 + length + (0 if self._in_frame else self._checksum_octets)
        if at + 8 > len(stored):
            return 0
        if is_skippable(stored[at : at + 4]):  # RFC 8878 3.1.2
            return 8 + int.from_bytes(stored[at + 4 : at + 8], "little")
        if stored[at : at + 4] != ZSTD_MAGIC:
            return 1
        descriptor = stored[at + 4]  # RFC 8878 3.1.1.1.1
        is_single = descriptor >> 5 & 1
        self._in_frame, self._checksum_octets = True, 4 * (descriptor >> 2 & 1)
        content_size = (is_single, 2, 4, 8)[descriptor >> 6]
        return 5 + (1 - is_single) + (0, 1, 2, 4)[descriptor & 3] + content_size
