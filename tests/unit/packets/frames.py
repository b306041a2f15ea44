"""Chunks of frames for the decoder, made without a capture file."""

import numpy as np

from auditor.capture.record import SLACK, RecordChunk
from auditor.packets.batch import address_from_words, link_from_word
from auditor.packets.decode import decode_batch


def chunk_of(frames, link_type=1, *, originals=None, filler=0x45, limit=None):
    """One chunk; ``filler`` stands between and behind the frames, so that a read past an end shows."""
    buffer, offsets, lengths = bytearray(), [], []
    for frame in frames:
        kept = frame if limit is None else frame[:limit]
        offsets.append(len(buffer))
        lengths.append(len(kept))
        buffer += kept + bytes([filler]) * 3
    buffer += bytes([filler]) * SLACK
    count = len(frames)
    types = (
        np.broadcast_to(np.int64(link_type), (count,))
        if np.ndim(link_type) == 0
        else np.array(link_type, np.int64)
    )
    zero = np.broadcast_to(np.int64(0), (count,))
    return RecordChunk(
        buffer=buffer,
        offsets=np.array(offsets, np.int64),
        captured_length=np.array(lengths, np.int64),
        original_length=np.array(originals or [len(frame) for frame in frames], np.int64),
        timestamp_ns=np.arange(count, dtype=np.int64),
        link_type=types,
        interface_id=zero,
        packet_number=np.arange(1, count + 1, dtype=np.int64),
        capture_index=zero,
    )


def decode(frames, link_type=1, **options):
    return decode_batch(chunk_of(frames, link_type, **options))


def source(batch, row=0):
    return bytes(address_from_words(int(batch.source_high[row]), int(batch.source_low[row])))


def destination(batch, row=0):
    return bytes(address_from_words(int(batch.destination_high[row]), int(batch.destination_low[row])))


def links(batch, row=0):
    return (
        bytes(link_from_word(int(batch.source_link[row]))).hex(":"),
        bytes(link_from_word(int(batch.destination_link[row]))).hex(":"),
    )
