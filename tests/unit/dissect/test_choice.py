"""
What is chosen does not depend on where batches end.

Oracle: the same recording read in windows so small that nearly every packet is
a batch of its own; there nothing is put off, and no packet stands behind the
opening of its conversation in the same batch.
"""

import subprocess
import sys
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


CROWDED = """
import random, sys
import numpy as np
import auditor.dissect.interest as interest
interest.SLOTS = 1 << 12  # before anybody reads it: as crowded as 200 conversations can make it
from auditor.dissect.numbers import Numbers
from tests.unit.dissect.test_choice import messages

seeds = random.Random(5)
different = 0
for _ in range(12):
    mix = [np.uint64(seeds.getrandbits(64) | 1) for _ in range(6)]
    Numbers._seed = lambda self, batch: setattr(self, "_mix", mix)
    different += messages(sys.argv[1], 2_048) != messages(sys.argv[1], 4 << 20)
print(different)
"""


def test_conversations_that_share_a_slot_are_told_apart(tmp_path):
    """Whatever shares a slot with whatever: one batch and many give the same messages."""
    path = tmp_path / "household.pcap"
    make_recording(path, 4_000, 200)
    command = [sys.executable, "-c", CROWDED, str(path)]
    done = subprocess.run(command, cwd=Path(__file__).parents[3], capture_output=True, text=True, check=True)
    assert done.stdout == "0\n"
