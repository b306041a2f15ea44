"""
What is chosen does not depend on where batches end.

Oracle: the same recording read in windows so small that nearly every packet is
a batch of its own; there nothing is put off, and no packet stands behind the
opening of its conversation in the same batch.
"""

from pathlib import Path

import numpy as np
import pytest

from auditor.capture.reader import open_capture
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope
from auditor.packets.decode import decode_batch
from tests.benchmarks.recordings import make_recording

CAPTURES = sorted((Path(__file__).parents[3] / "captures").glob("*.pcapng"))


def messages(path, batch_octets):
    dispatcher = Dispatcher(strict=True)
    items = []
    with open_capture(path, batch_octets=batch_octets, digest=False) as reader:
        for chunk in reader:
            batch = decode_batch(chunk)
            items += dispatcher.feed(batch, np.zeros(len(batch), np.bool_))
    items += dispatcher.finish()
    # By their text: a Secret equals only itself.
    return [(item.packet, item.protocol, repr(item.message)) for item in items if isinstance(item, Envelope)]


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.stem)
def test_shipped_recordings_give_the_same_messages_in_any_batches(path):
    whole, pieces = messages(path, 4 << 20), messages(path, 2048)

    assert whole
    assert whole == pieces


def test_many_conversations_in_one_batch_give_the_same_messages(tmp_path):
    path = tmp_path / "household.pcap"
    make_recording(path, 4_000, 200)

    whole, pieces = messages(path, 4 << 20), messages(path, 2048)

    assert whole
    assert whole == pieces
