"""
Oracles: gzip of the standard library, zstandard 0.25 (BSD) and hashlib write
what is read here.  RFC 1952 2.2 and RFC 8878 3.1 let members follow one another.
"""

import gzip
import hashlib
import io
import struct
import sys

import numpy as np
import pytest
import zstandard

from auditor.errors import CaptureFormatError
from tests.unit.capture.octets_of_captures import kinds, pcap, read_all

RECORDS = [(1_700_000_000 + number, 0, bytes([number % 251]) * 300) for number in range(2000)]
PLAIN = pcap(RECORDS)
FRAMES = [frame for _, _, frame in RECORDS]
SPLIT = len(PLAIN) // 3


def zstd(octets):
    return zstandard.ZstdCompressor(write_checksum=True).compress(octets)


COMPRESSED = [
    pytest.param(gzip.compress(PLAIN), "gzip", id="gzip"),
    pytest.param(gzip.compress(PLAIN[:SPLIT]) + gzip.compress(PLAIN[SPLIT:]), "gzip", id="gzip-members"),
    pytest.param(gzip.compress(PLAIN) + bytes(700), "gzip", id="gzip-padded"),
    pytest.param(gzip.compress(PLAIN, compresslevel=0), "gzip", id="gzip-stored"),
    pytest.param(zstd(PLAIN), "zstd", id="zstd"),
    pytest.param(zstd(PLAIN[:SPLIT]) + zstd(b"") + zstd(PLAIN[SPLIT:]), "zstd", id="zstd-frames"),
    pytest.param(
        b"\x53\x2a\x4d\x18" + struct.pack("<I", 5) + b"skip." + zstd(PLAIN), "zstd", id="zstd-skippable"
    ),
]


@pytest.mark.parametrize(("octets", "how"), COMPRESSED)
@pytest.mark.parametrize("batch", [700, 1 << 20])
def test_told_by_content_and_read_whole(octets, how, batch):
    rows, facts = read_all(octets, batch_octets=batch)

    assert [row[0] for row in rows] == FRAMES
    assert facts.format == f"pcap+{how}"
    assert facts.issues == ()
    assert (facts.sha256, facts.octets) == (hashlib.sha256(octets).hexdigest(), len(octets))


@pytest.mark.parametrize("batch", [700, 1 << 20])
def test_digest_of_a_plain_file(batch):
    _, facts = read_all(PLAIN, batch_octets=batch)

    assert facts.format == "pcap"
    assert (facts.sha256, facts.octets) == (hashlib.sha256(PLAIN).hexdigest(), len(PLAIN))


@pytest.mark.parametrize(("octets", "how"), [COMPRESSED[0], COMPRESSED[1], COMPRESSED[4], COMPRESSED[5]])
def test_compressed_data_cut_short_are_told(octets, how):
    cut = octets[: len(octets) * 2 // 3]

    rows, facts = read_all(cut)

    assert [row[0] for row in rows] == FRAMES[: len(rows)]
    assert len(rows) < 2000
    assert "cut-short" in kinds(facts)
    assert facts.sha256 == hashlib.sha256(cut).hexdigest()


@pytest.mark.parametrize(("octets", "how"), [COMPRESSED[0], COMPRESSED[4]])
def test_a_missing_last_octet_is_told(octets, how):
    _, facts = read_all(octets[:-1])

    assert kinds(facts) == {"cut-short"}


@pytest.mark.parametrize(("octets", "how"), COMPRESSED)
def test_damage_inside_the_compressed_data_is_told(octets, how):
    damaged = bytearray(octets)
    middle = len(octets) // 2
    damaged[middle : middle + 8] = bytes(value ^ 0xA5 for value in damaged[middle : middle + 8])

    _rows, facts = read_all(bytes(damaged))

    assert facts.issues
    assert facts.octets == len(octets)
    assert facts.sha256 == hashlib.sha256(damaged).hexdigest()


NOISE = np.random.default_rng(8878).integers(0, 256, (2000, 300), np.uint8)
NOISY = pcap([(1_700_000_000 + number, 0, row.tobytes()) for number, row in enumerate(NOISE)])
"""Hardly shrinks, and fills five blocks of 128 KiB."""


@pytest.mark.parametrize("checksum", [True, False])
@pytest.mark.parametrize("content_size", [True, False])
@pytest.mark.parametrize("level", [1, 19])
@pytest.mark.parametrize("plain", [PLAIN, NOISY], ids=["runs", "noise"])
def test_zstd_frames_of_every_head_are_read_whole(checksum, content_size, level, plain):
    """Descriptor flags of RFC 8878 3.1.1.1.1: content size or window, checksum or none."""
    how = zstandard.ZstdCompressor(level=level, write_checksum=checksum, write_content_size=content_size)
    octets = how.compress(plain) + b"\x5f\x2a\x4d\x18" + struct.pack("<I", 0) + how.compress(b"")

    rows, facts = read_all(octets)

    assert (len(rows), facts.issues) == (2000, ())


def test_what_stands_before_a_damaged_zstd_block_is_kept():
    octets = bytearray(zstandard.ZstdCompressor().compress(NOISY))
    octets[400_000:] = bytes(len(octets) - 400_000)

    rows, facts = read_all(bytes(octets))

    # Three blocks of 128 KiB end before; a record takes 316 octets.
    assert 3 * (1 << 17) // 316 - 1 <= len(rows) < 2000
    assert [row[0] for row in rows[:1000]] == [row.tobytes() for row in NOISE[:1000]]
    assert "cut-short" in kinds(facts) or "damaged" in kinds(facts)


def test_octets_behind_the_compressed_data_are_told():
    rows, facts = read_all(gzip.compress(PLAIN) + b"something else")

    assert len(rows) == 2000
    assert kinds(facts) == {"damaged"}


@pytest.mark.parametrize(
    ("compress", "bound"),
    [pytest.param(gzip.compress, 24 << 20, id="gzip"), pytest.param(zstd, 90 << 20, id="zstd")],
)
def test_a_bomb_needs_bounded_memory(compress, bound):
    """192 MiB that are no record behind one that is; held at once it would pass every bound here."""
    import tracemalloc

    bomb = compress(pcap([(1, 0, b"a")]) + b"\xff" * (192 << 20))
    tracemalloc.start()
    rows, facts = read_all(bomb, batch_octets=1 << 20)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert [row[0] for row in rows] == [b"a"]
    assert "damaged" in kinds(facts)
    assert peak < bound


def test_missing_package_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "zstandard", None)

    with pytest.raises(CaptureFormatError, match="install the package zstandard"):
        read_all(zstd(PLAIN))


@pytest.mark.parametrize("compress", [gzip.compress, zstd])
def test_something_else_compressed_is_no_capture(compress):
    with pytest.raises(CaptureFormatError, match="expected pcap or pcapng"):
        read_all(compress(b"a letter"))
    with pytest.raises(CaptureFormatError, match="is empty"):
        read_all(compress(b""))


def test_a_slow_pipe_is_read_whole():
    class Dripping(io.RawIOBase):
        def __init__(self):
            self.left = PLAIN

        def readable(self):
            return True

        def readinto(self, buffer):
            count = min(len(buffer), 997, len(self.left))
            buffer[:count] = self.left[:count]
            self.left = self.left[count:]
            return count

    from auditor.capture.reader import open_capture

    with open_capture(Dripping()) as reader:
        assert sum(len(chunk) for chunk in reader) == 2000
        assert reader.facts.name == "-"
        assert reader.facts.sha256 == hashlib.sha256(PLAIN).hexdigest()
