"""
Octets of a file as stored, hashed as they are read, and decompressed where they are compressed.

Standards: RFC 1952 (gzip; members may follow one another, section 2.2),
           RFC 8878 (Zstandard; frames likewise, section 3.1).
Told by content, never by the file's name.  Nothing seeks, so pipes work, and
nothing is read twice.  The digest is worked out in a helper thread while the
caller decodes: hashlib lets go of the interpreter for large pieces.
"""

from __future__ import annotations

import hashlib
import zlib
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Protocol

from auditor.capture.zstd_blocks import ZSTD_MAGIC, ZstdBlocks, is_skippable
from auditor.errors import CaptureFormatError, CaptureReadError

GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952 2.3.1

# Each is a read and a hash, and each of these waits for the interpreter while the caller decodes.  Larger
# ones are mapped anew each time (``garbage.MAPPED_OCTETS``), which costs zstd as much again (measured).
STORED_PIECE_OCTETS = 3 << 17
# What is given to zlib at once: with more the last block of its output would be one of those.
GZIP_FEED_OCTETS = 1 << 18
SALVAGE_OCTETS = 64
PADDING_OCTETS = 4096
# The window a frame may ask us to keep.  RFC 8878 3.1.1.1.2 recommends 8 MiB as the least to support;
# long-range settings of common compressors ask for 128 MiB.
MAX_ZSTD_WINDOW_OCTETS = 1 << 27
# Frames or members without content cost time and give nothing.
MAX_EMPTY_MEMBERS = 10_000


class BinarySource(Protocol):
    """What is asked of a file object."""

    def readinto(self, buffer: Any, /) -> int | None:
        """Fill the buffer, return the number of octets, 0 at the end."""


class _Digest:
    """SHA-256 of everything handed in, one piece under way at a time."""

    def __init__(self, *, enabled: bool) -> None:
        self._hash = hashlib.sha256()
        self._pool = ThreadPoolExecutor(1, "digest") if enabled else None
        self._pending: Future[None] | None = None

    def add(self, piece: memoryview | bytes) -> None:
        """Begin to hash a piece, which must stay unchanged until ``settle``."""
        self.settle()
        if self._pool is not None:
            self._pending = self._pool.submit(self._hash.update, piece)

    def settle(self) -> None:
        """Wait until what was handed in may be overwritten."""
        if self._pending is not None:
            self._pending.result()
            self._pending = None

    def hexdigest(self) -> str:
        self.settle()
        return self._hash.hexdigest()

    def close(self) -> None:
        self.settle()
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None


class OctetSource:
    """The stored octets of one file, delivered decompressed."""

    def __init__(self, stream: BinarySource, name: str, *, digest: bool = True) -> None:
        self._stream = stream
        self._name = name
        self._digest = _Digest(enabled=digest)
        self._piece = memoryview(bytearray(0))
        """Room for stored octets that are to be decompressed."""
        self._head = b""
        self._expander: _Expander | None = None
        self.octets_read = 0
        """Stored octets read so far."""
        self.compression = ""
        """Empty, ``gzip`` or ``zstd``."""
        self.problem: str | None = None
        """Why decompression ended before the file did; None: it did not."""
        self._detect()

    def _detect(self) -> None:
        head = bytearray(4)
        view = memoryview(head)
        count = self._read_full(view)
        self._head = bytes(head[:count])
        self._digest.add(self._head)
        if self._head[:2] == GZIP_MAGIC:
            self.compression = "gzip"
            self._expander = _Gzip()
        elif self._head == ZSTD_MAGIC or is_skippable(self._head):
            self.compression = "zstd"
            self._expander = _zstd(self._name)
        if self._expander is not None:
            self._piece = memoryview(bytearray(STORED_PIECE_OCTETS))

    def _read_full(self, view: memoryview) -> int:
        """Fill the view from the stream, short only at the end of the file."""
        filled = 0
        while filled < len(view):
            try:
                count = self._stream.readinto(view[filled:])
            except (OSError, ValueError) as error:
                problem = getattr(error, "strerror", None) or str(error)
                raise CaptureReadError(
                    self._name, f"cannot be read past octet {self.octets_read}: {problem}"
                ) from None
            if count is None:
                raise CaptureReadError(self._name, "is set to non-blocking reads and has nothing to read yet")
            if count == 0:
                break
            filled += count
            self.octets_read += count
        return filled

    def fill(self, view: memoryview) -> int:
        """
        Fill the view; short only at the end.

        The view's octets must stay unchanged until ``settle`` or the next call.
        """
        if self._expander is not None:
            return self._fill_expanded(view)
        self.settle()
        count = 0
        if self._head:
            count = min(len(self._head), len(view))
            view[:count] = self._head[:count]
            self._head = self._head[count:]
        read = self._read_full(view[count:])
        if read:
            self._digest.add(view[count : count + read])
        return count + read

    def _fill_expanded(self, view: memoryview) -> int:
        expander = self._expander
        filled = 0
        while expander is not None and filled < len(view) and self.problem is None:
            try:
                piece = expander.take(len(view) - filled)
                if piece:
                    view[filled : filled + len(piece)] = piece
                    filled += len(piece)
                    continue
                if expander.hungry and not self._feed(expander):
                    self.problem = expander.at_end()
                    break
            except _BrokenStreamError as error:
                self.problem = str(error)
        return filled

    def _feed(self, expander: _Expander) -> bool:
        stored = self._head
        self._head = b""
        if not stored:
            count = self._read_full(self._piece)
            stored = bytes(self._piece[:count])
            self._digest.add(stored)
        expander.feed(stored)
        return bool(stored)

    def drain(self) -> None:
        """Read the rest of the file for its digest and size; nothing of it is delivered."""
        waste = memoryview(bytearray(STORED_PIECE_OCTETS))
        while True:
            self.settle()
            count = self._read_full(waste)
            if not count:
                return
            self._digest.add(waste[:count])

    def settle(self) -> None:
        """Wait until the octets of the last ``fill`` may be overwritten."""
        self._digest.settle()

    def sha256(self) -> str:
        """Hexadecimal digest of the stored octets read so far."""
        return self._digest.hexdigest()

    def close(self) -> None:
        """End the helper thread."""
        self._digest.close()


class _BrokenStreamError(Exception):
    """The compressed stream breaks its format; never leaves this module."""


class _Expander:
    """Feeds stored octets in, takes content out, a bounded piece at a time."""

    def __init__(self) -> None:
        self._stored = b""
        self._at = 0
        self._empty_members = 0
        self._between = True  # no member is open: here the file may end
        self._begun = False

    @property
    def hungry(self) -> bool:
        return self._at >= len(self._stored)

    def feed(self, stored: bytes) -> None:
        self._stored = self._stored[self._at :] + stored
        self._at = 0

    def take(self, limit: int) -> bytes | memoryview:
        """At most ``limit`` octets of content; none where more stored ones are needed."""
        raise NotImplementedError

    def at_end(self) -> str | None:
        return None if self._between else "the compressed data end before their end mark"

    def _count_empty(self, octets: int) -> None:
        self._empty_members = 0 if octets else self._empty_members + 1
        if self._empty_members > MAX_EMPTY_MEMBERS:
            raise _BrokenStreamError(
                f"more than {MAX_EMPTY_MEMBERS} empty compressed members follow one another"
            )


class _Gzip(_Expander):
    def __init__(self) -> None:
        super().__init__()
        self._inner = zlib.decompressobj(wbits=31)
        self._produced = 0
        self._failure = ""
        """What is wrong behind the octets delivered last."""

    def take(self, limit: int) -> bytes:
        if self._failure:
            raise _BrokenStreamError(self._failure)
        while not self.hungry:
            if self._between and not self._open_member():
                return b""
            stored = self._stored[self._at : self._at + GZIP_FEED_OCTETS]
            before = self._inner.copy()
            try:
                piece = self._inner.decompress(stored, limit)
            except zlib.error as error:
                self._failure = f"the gzip data are damaged ({error})"
                return _salvage(before, stored, limit)
            rest = self._inner.unused_data if self._inner.eof else self._inner.unconsumed_tail
            self._at += len(stored) - len(rest)
            self._produced += len(piece)
            if self._inner.eof:
                self._count_empty(self._produced)
                self._between, self._produced = True, 0
                self._inner = zlib.decompressobj(wbits=31)
            if piece:
                return piece
        # A full history may still hold output that the last limit kept back.
        return b"" if self._between else self._flush_held(limit)

    def _flush_held(self, limit: int) -> bytes:
        try:
            piece = self._inner.decompress(b"", limit)
        except zlib.error:
            return b""
        self._produced += len(piece)
        return piece

    def _open_member(self) -> bool:
        """Find the next member; zero octets may pad the file (common practice on tapes and block devices)."""
        while self._begun and self._stored.startswith(b"\0", self._at):
            some = self._stored[self._at : self._at + PADDING_OCTETS]
            self._at += len(some) - len(some.lstrip(b"\0"))
        head = self._stored[self._at : self._at + 2]
        if head and not GZIP_MAGIC.startswith(head):
            raise _BrokenStreamError("octets that are not gzip follow the compressed data")
        self._between = not head
        self._begun = True
        return bool(head)


def _salvage(inner: zlib._Decompress, stored: bytes, limit: int) -> bytes:
    """What stands before a damaged place: zlib keeps nothing of a call that fails, so go in small steps."""
    pieces: list[bytes] = []
    for start in range(0, len(stored), SALVAGE_OCTETS):
        try:
            piece = inner.decompress(inner.unconsumed_tail + stored[start : start + SALVAGE_OCTETS], limit)
        except zlib.error:
            break
        pieces.append(piece)
        limit -= len(piece)
        if limit <= 0:
            break
    return b"".join(pieces)


def _zstd(name: str) -> _Expander:
    try:
        import zstandard
    except ImportError:
        problem = (
            "is compressed with zstd; to read it, install the package zstandard, or decompress the file first"
        )
        raise CaptureFormatError(name, problem) from None

    class _Zstd(_Expander):
        def __init__(self) -> None:
            super().__init__()
            self._context = zstandard.ZstdDecompressor(max_window_size=MAX_ZSTD_WINDOW_OCTETS)
            self._inner = self._context.decompressobj()
            self._held = memoryview(b"")
            self._produced = 0
            self._blocks = ZstdBlocks()
            self._is_starved = False

        @property
        def hungry(self) -> bool:
            return not self._held and (self._is_starved or super().hungry)

        def feed(self, stored: bytes) -> None:
            super().feed(stored)
            self._is_starved = False

        def at_end(self) -> str | None:
            self._between &= self._at == len(self._stored)
            return super().at_end()

        def take(self, limit: int) -> memoryview:
            while not self._held and not self.hungry:
                count = self._blocks.piece(self._stored, self._at)
                if not count:
                    self._is_starved = True
                    break
                stored = memoryview(self._stored)[self._at : self._at + count]
                self._at += count
                self._between = False
                try:
                    self._held = memoryview(self._inner.decompress(stored))
                except zstandard.ZstdError as error:
                    raise _BrokenStreamError(f"the zstd data are damaged ({error})") from None
                self._produced += len(self._held)
                if self._inner.eof:
                    self._at -= len(self._inner.unused_data)
                    self._count_empty(self._produced)
                    self._between, self._produced = True, 0
                    self._inner = self._context.decompressobj()
            piece, self._held = self._held[:limit], self._held[limit:]
            return piece

    return _Zstd()
