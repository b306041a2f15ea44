"""
The invariant: any octets give chunks and issues, or a ``CaptureError``; never
another exception, never more rows than octets could hold, never a hang.
Seeds are the recordings in ``tests/corpus`` and files built by the drafts' figures.
"""

import gzip
import random
import time
from pathlib import Path

import pytest
import zstandard

from auditor.capture.reader import open_capture
from auditor.errors import CaptureError
from auditor.packets.decode import decode_batch
from auditor.packets.quoted import decode_quoted
from tests.unit.capture.octets_of_captures import (
    END,
    enhanced,
    interface,
    obsolete,
    option,
    pcap,
    section,
    simple,
    statistics,
)

BUILT = {
    "pcap": pcap([(1_700_000_000 + n, n, bytes([69 + n]) * (40 + n)) for n in range(20)]),
    "pcapng": section(options=option(1, b"c") + END)
    + interface(options=option(9, b"\x09") + option(14, bytes(8)) + option(11, b"\0port 1") + END)
    + b"".join(
        enhanced(n << 40, bytes([n]) * (30 + n), options=option(1, b"x") + option(4, bytes(8)) + END)
        for n in range(8)
    )
    + simple(b"abcd")
    + obsolete(5, b"efgh")
    + statistics(0, option(4, bytes(8)) + END)
    + section(">")
    + interface(113, order=">")
    + enhanced(9, bytes(60), order=">"),
}
BUILT["gzip"] = gzip.compress(BUILT["pcap"])
BUILT["zstd"] = zstandard.ZstdCompressor().compress(BUILT["pcapng"])
CORPUS = sorted(path for path in (Path(__file__).parents[2] / "corpus").glob("*.pcap*"))
EDGES = (0, 1, 3, 4, 12, 0x7F, 0x80, 0xFF)


def mutate(octets, rng):
    """One to eight edits, or a cut, a repeated or a removed stretch."""
    out = bytearray(octets)
    for _ in range(rng.randint(1, 8)):
        at = rng.randrange(len(out))
        what = rng.random()
        if what < 0.5:
            out[at] = rng.choice(EDGES) if rng.random() < 0.6 else rng.randrange(256)
        elif what < 0.75:
            value = rng.choice((0, 1, 11, 12, 0xFFFF, 0x10000, 0xFFFFFFFF, 0x7FFFFFFF, rng.randrange(2**32)))
            out[at : at + 4] = value.to_bytes(4, rng.choice(("little", "big")))
        elif what < 0.85:
            del out[at : at + rng.randrange(1, 64)]
        elif what < 0.95:
            out[at:at] = out[at : at + rng.randrange(1, 200)]
        else:
            del out[at:]
        if not out:
            return b"\0"
    return bytes(out)


def read_hostile(octets, batch):
    import io

    import numpy as np

    try:
        with open_capture(io.BytesIO(octets), batch_octets=batch) as reader:
            rows = 0
            for chunk in reader:
                rows += len(chunk)
                packets = decode_batch(chunk)
                decode_quoted(packets, np.arange(len(packets)))
                ends = chunk.offsets + chunk.captured_length
                assert (chunk.captured_length >= 0).all()
                assert (chunk.captured_length <= chunk.original_length).all()
                assert (ends <= len(chunk.buffer)).all()
                assert (packets.payload_length >= 0).all()
                assert (packets.payload_offset + packets.payload_length <= ends).all()
            facts = reader.facts
    except CaptureError as error:
        refusal = str(error)
    else:
        refusal = ""
    if refusal:
        assert "\n" not in refusal
        return None
    assert facts.packets == rows
    assert facts.octets == len(octets)
    return facts


@pytest.mark.parametrize("kind", BUILT)
@pytest.mark.parametrize("batch", [64, 1 << 18])
def test_mutated_files(kind, batch):
    rng = random.Random(f"{kind}{batch}")
    read = 0
    for _ in range(80):
        began = time.monotonic()
        read += read_hostile(mutate(BUILT[kind], rng), batch) is not None
        assert time.monotonic() - began < 10
    assert read > 0


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.name)
def test_mutated_recordings(path):
    rng = random.Random(path.name)
    octets = path.read_bytes()
    for _ in range(15):
        read_hostile(mutate(octets, rng), 1 << 18)


@pytest.mark.parametrize("kind", BUILT)
def test_every_cut(kind):
    octets = BUILT[kind]
    whole = read_hostile(octets, 1 << 16).packets
    for length in range(0, len(octets), 3):
        facts = read_hostile(octets[:length], 1 << 16)
        assert facts is None or facts.packets <= whole
