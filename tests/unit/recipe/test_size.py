"""
Sizes against figures that others computed.

Needs section 2a: one universe at 44 frames a second is 2.65 GB a day, a poll a
second on fresh connections 864,000 frames and 124 MB a day (classic pcap, 16
octets a record); here with pcapng's 32.  A written file is the second check.
"""

from pathlib import Path

import pytest

from auditor.recipe.size import (
    BLOCK_OCTETS,
    POLL_FRAMES,
    SHOW_FRAME_OCTETS,
    SHOW_RATE,
    estimate,
    frame_octets,
    readable,
)

DAY = 24 * 60


def part(parts, word):
    return next(one for one in parts if word in one.what)


def test_a_universe_for_a_day():
    octets = part(estimate(DAY, polls_hub=False, universes=1), "universe").octets
    classic = octets - SHOW_RATE * 86_400 * 16  # the source counts records of classic pcap
    assert classic == pytest.approx(2.65e9, rel=0.01)


def test_a_poll_a_second_for_a_day():
    made = part(estimate(DAY, polls_hub=True, universes=0), "hub")
    assert 86_400 * POLL_FRAMES == 864_000
    assert made.octets - 864_000 * 16 == pytest.approx(124e6, rel=0.05)


def test_a_frame_of_lighting_data_is_as_long_as_its_layers():
    """ANSI E1.31 section 4: root 38, framing 77, DMP 11, and 512 slots behind a start code (in the 11)."""
    assert SHOW_FRAME_OCTETS == 14 + 20 + 8 + 38 + 77 + 11 + 512


def test_a_block_is_as_long_as_scapy_writes_it(tmp_path: Path):
    from scapy.layers.inet import IP, UDP
    from scapy.layers.l2 import Ether
    from scapy.packet import Raw
    from scapy.utils import PcapNgWriter

    frame = (
        Ether(src="02:00:5e:10:00:01", dst="02:00:5e:10:00:02")
        / IP(src="192.0.2.1", dst="192.0.2.2")
        / UDP()
        / Raw(bytes(99))
    )
    sizes = []
    for count in (1, 2):
        path = tmp_path / f"{count}.pcapng"
        with PcapNgWriter(str(path)) as writer:
            for _ in range(count):
                writer.write(frame)
        sizes.append(path.stat().st_size)
    assert sizes[1] - sizes[0] == frame_octets(len(frame))
    assert frame_octets(1) == 4 + BLOCK_OCTETS


@pytest.mark.parametrize(
    ("octets", "words"),
    [(999, "999 octets"), (1_500, "1.5 kB"), (75_000_000, "75 MB"), (2_650_000_000, "2.6 GB")],
)
def test_sizes_are_read_in_decimal_units(octets, words):
    assert readable(octets) == words
