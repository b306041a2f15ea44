"""
Oracles: scapy reads the link addresses of the frames; libpcap's own compiler (through tcpdump -d) and the Linux kernel, which
refuses a program that jumps or loads wrongly, judge the instructions.
"""

import os
import shutil
import socket
import struct
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.l2 import Ether

from auditor.addresses import parse_link
from auditor.live.filters import build_filter, filter_text, pack_filter

DEVICE = parse_link("00:00:5e:00:53:21")
SNAP = 300
near = st.sampled_from(
    ["00:00:5e:00:53:21", "00:00:5e:00:53:22", "02:00:5e:00:53:21", "00:01:5e:00:53:21", "ff:ff:ff:ff:ff:ff",
     "01:00:5e:00:00:fb", "33:33:00:00:00:fb"]
)  # fmt: skip
links = st.one_of(near, st.binary(min_size=6, max_size=6).map(lambda octets: octets.hex(":")))


def run(program, frame):
    """The machine of the 1993 paper, section 3.3, for the instructions used here."""
    accumulator, at = 0, 0
    for _ in range(len(program)):
        code, if_true, if_false, operand = program[at]
        at += 1
        if code in (0x20, 0x28, 0x30):
            size = {0x20: 4, 0x28: 2, 0x30: 1}[code]
            if operand + size > len(frame):
                return 0
            accumulator = int.from_bytes(frame[operand : operand + size], "big")
        elif code == 0x15:
            at += if_true if accumulator == operand else if_false
        elif code == 0x45:
            at += if_true if accumulator & operand else if_false
        else:
            return operand
    raise AssertionError("the program does not end")


@given(links, links, st.binary(max_size=80))
def test_one_device_and_all_groups(destination, source, payload):
    frame = Ether(dst=destination, src=source, type=0x88B5) / payload
    read = Ether(bytes(frame))
    wanted = "00:00:5e:00:53:21" in (read.dst, read.src) or int(read.dst[:2], 16) & 1

    assert run(build_filter(DEVICE, SNAP), bytes(frame)) == (SNAP if wanted else 0)


@given(st.binary(max_size=11))
def test_a_frame_without_addresses_is_left_out(frame):
    kept = run(build_filter(DEVICE, SNAP), frame)

    assert kept == (SNAP if frame[:1] and frame[0] & 1 else 0)


@given(st.binary(max_size=80))
def test_without_a_device_everything_is_kept_up_to_the_length(frame):
    assert run(build_filter(None, SNAP), frame) == SNAP


@pytest.mark.parametrize("device", [None, DEVICE])
def test_the_kernel_takes_the_program(device):
    """Linux checks every jump and load before it attaches a filter (socket(7), SO_ATTACH_FILTER)."""
    import ctypes

    octets = ctypes.create_string_buffer(pack_filter(build_filter(device, SNAP)))
    described = struct.pack("@HP", len(build_filter(device, SNAP)), ctypes.addressof(octets))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.setsockopt(socket.SOL_SOCKET, 26, described)


@pytest.mark.skipif(
    shutil.which("tcpdump") is None and not os.environ.get("CI"), reason="tcpdump compiles the expression"
)
@given(destination=links, source=links)
def test_the_words_in_the_file_mean_the_same_to_another_compiler(destination, source):
    frame = bytes.fromhex((destination + source).replace(":", "")) + b"\x88\xb5" + bytes(46)

    assert bool(run(libpcap_program(), frame)) == bool(run(build_filter(DEVICE, SNAP), frame))


def libpcap_program(known=[]):  # noqa: B006 - compiled once
    if not known:
        done = subprocess.run(
            ["tcpdump", "-y", "EN10MB", "-ddd", filter_text(DEVICE)],
            capture_output=True,
            text=True,
            check=True,
        )
        known += [tuple(map(int, line.split())) for line in done.stdout.splitlines()[1:]]
    return known
