"""
A plain file is read ahead in a helper thread, a pipe is not: both must give the same.

Oracle: the same octets through a file object, which is read window by window,
and hashlib.  Standards: draft-ietf-opsawg-pcap section 5, draft-ietf-opsawg-pcapng section 4.
"""

import gzip
import hashlib
import io
import os
import random
import threading

import pytest
import zstandard

from auditor.capture.reader import open_capture
from auditor.capture.rolling import REST_OCTETS
from auditor.errors import CaptureFormatError
from tests.unit.capture.octets_of_captures import enhanced, interface, pcap, read_all, section

SIZES = random.Random(5)
FRAMES = [bytes([number % 251]) * SIZES.randrange(1, 900) for number in range(3000)]
# A record longer than the room that is kept for the rest of a window, and than the window itself.
LONG = [*FRAMES[:500], b"l" * (REST_OCTETS + 50_000), *FRAMES[500:], b"m" * (REST_OCTETS * 2)]
PCAP = pcap([(1_700_000_000 + place, 0, frame) for place, frame in enumerate(LONG)], snap_length=0)
PCAPNG = section() + interface() + b"".join(enhanced(place, frame) for place, frame in enumerate(LONG))
DAMAGED = bytearray(PCAP)
DAMAGED[len(PCAP) // 2 : len(PCAP) // 2 + 4000] = b"\xff" * 4000

FILES = [
    pytest.param(PCAP, id="pcap"),
    pytest.param(PCAPNG, id="pcapng"),
    pytest.param(PCAP[:-100], id="cut"),
    pytest.param(bytes(DAMAGED), id="damaged"),
    pytest.param(gzip.compress(PCAPNG, 1), id="gzip"),
    pytest.param(zstandard.ZstdCompressor().compress(PCAP), id="zstd"),
    pytest.param(gzip.compress(PCAP, 1)[:-5000], id="gzip-cut"),
    pytest.param(gzip.compress(bytes(DAMAGED), 1)[:-5000], id="gzip-damaged-and-cut"),
    pytest.param(gzip.compress(PCAP[:70_000]) + bytes(9000) + gzip.compress(PCAP[70_000:]), id="gzip-padded"),
]


def read_file(path, batch):
    with open_capture(path, batch_octets=batch, name="-") as reader:
        rows = [
            (bytes(chunk.buffer[start : start + length]), time, number)
            for chunk in reader
            for start, length, time, number in zip(
                chunk.offsets.tolist(),
                chunk.captured_length.tolist(),
                chunk.timestamp_ns.tolist(),
                chunk.packet_number.tolist(),
                strict=True,
            )
        ]
        return rows, reader.facts


@pytest.mark.parametrize("octets", FILES)
@pytest.mark.parametrize("batch", [1000, 70_001, 1 << 19, 1 << 24])
def test_gives_what_a_pipe_gives(tmp_path, octets, batch):
    path = tmp_path / "recording"
    path.write_bytes(octets)

    rows, facts = read_file(path, batch)
    piped, piped_facts = read_all(octets, batch_octets=batch)

    assert [row[0] for row in rows] == [row[0] for row in piped]
    assert [row[2] for row in rows] == list(range(1, len(rows) + 1)) or facts.issues
    assert facts == piped_facts
    assert facts.sha256 == hashlib.sha256(octets).hexdigest()
    assert facts.octets == len(octets)


@pytest.mark.parametrize("octets", FILES)
@pytest.mark.parametrize("batch", [1000, 70_001, 1 << 19])
def test_windows_end_where_those_of_a_pipe_end(tmp_path, octets, batch):
    """What later stages count by window must not hang on how the octets came: same input, same report."""
    path = tmp_path / "recording"
    path.write_bytes(octets)

    with (
        open_capture(path, batch_octets=batch) as of_file,
        open_capture(io.BytesIO(octets), batch_octets=batch) as of_pipe,
    ):
        assert [len(chunk) for chunk in of_file] == [len(chunk) for chunk in of_pipe]


def test_all_records_of_a_sound_file(tmp_path):
    path = tmp_path / "recording"
    path.write_bytes(PCAP)

    rows, facts = read_file(path, 4096)

    assert [row[0] for row in rows] == LONG
    assert facts.issues == ()


def test_threads_end_where_reading_is_given_up(tmp_path):
    path = tmp_path / "recording"
    path.write_bytes(PCAP)
    before = threading.active_count()

    with open_capture(path, batch_octets=4096) as reader:
        for _ in zip(range(5), reader, strict=False):
            pass
        assert threading.active_count() > before

    assert threading.active_count() == before


def test_a_file_only_looked_at_starts_no_thread(tmp_path):
    path = tmp_path / "recording"
    path.write_bytes(PCAP)
    before = threading.active_count()

    with open_capture(path, batch_octets=4096, digest=False) as reader:
        next(iter(reader))
        assert threading.active_count() == before


def test_a_named_pipe_is_not_read_ahead(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(target=path.write_bytes, args=(PCAP,))
    writer.start()

    rows, facts = read_file(path, 4096)
    writer.join()

    assert [row[0] for row in rows] == LONG
    assert facts.sha256 == hashlib.sha256(PCAP).hexdigest()


def test_no_capture_is_refused_all_the_same(tmp_path):
    path = tmp_path / "text"
    path.write_bytes(b"no capture at all" * 1000)

    with pytest.raises(CaptureFormatError):
        open_capture(path, batch_octets=100)
