"""
Oracle: scapy 2.8 (GPL-2.0-only) builds the frames; IEEE 802.11-2016 table 9-26
says which address is whose.  scapy's 802.11 layers are tests' business only.
"""

import struct

import pytest
from scapy.layers.dot11 import Dot11, Dot11Beacon, Dot11QoS, RadioTap
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import LLC, SNAP
from scapy.packet import Raw

from auditor.packets.batch import LATER_FRAGMENT, MANAGEMENT, PROTECTED, SHORT_HEADERS, UNDECODED_LINK
from tests.unit.packets.frames import decode, links

A, B, C, D = (f"00:00:5e:00:53:0{number}" for number in range(1, 5))
INNER = (
    LLC(dsap=0xAA, ssap=0xAA, ctrl=3)
    / SNAP(OUI=0, code=0x0800)
    / IP(src="192.0.2.1", dst="192.0.2.2")
    / UDP(sport=7, dport=9)
    / Raw(b"abc")
)
TO_DS, FROM_DS, PROTECTED_FLAG = 1, 2, 0x40


def data(flags=0, **fields):
    return Dot11(
        type=2, subtype=fields.pop("subtype", 0), FCfield=flags, addr1=A, addr2=B, addr3=C, addr4=D, **fields
    )


@pytest.mark.parametrize(
    ("flags", "source", "destination"),
    [
        pytest.param(0, B, A, id="direct"),
        pytest.param(TO_DS, B, C, id="to-the-access-point"),
        pytest.param(FROM_DS, C, A, id="from-the-access-point"),
        pytest.param(TO_DS | FROM_DS, D, C, id="between-access-points"),
    ],
)
@pytest.mark.parametrize("quality", [False, True])
def test_addresses_and_content_of_data_frames(flags, source, destination, quality):
    frame = data(flags, subtype=8) / Dot11QoS() / INNER if quality else data(flags) / INNER

    batch = decode([bytes(frame)], 105)

    assert links(batch) == (source, destination)
    assert (batch.ip_version[0], batch.destination_port[0], batch.payload(0)) == (4, 9, b"abc")
    assert batch.marks[0] == 0


def test_management_frames_are_payload_and_control_frames_have_addresses_alone():
    beacon = bytes(Dot11(type=0, subtype=8, addr1="ff:ff:ff:ff:ff:ff", addr2=B, addr3=B) / Dot11Beacon())
    acknowledgement = struct.pack("<BBH", 0xD4, 0, 0) + bytes.fromhex(A.replace(":", ""))

    batch = decode([beacon, acknowledgement], 105)

    assert links(batch, 0) == (B, "ff:ff:ff:ff:ff:ff")
    assert links(batch, 1) == ("00:00:00:00:00:00", A)
    assert batch.ethertype.tolist() == [0, 0]
    assert batch.marks.tolist() == [MANAGEMENT, 0]
    assert (batch.payload(0), batch.payload_offset[1]) == (beacon, -1)


def test_encrypted_frames_are_marked_and_not_read():
    frame = bytes(data(FROM_DS | PROTECTED_FLAG)) + bytes(INNER)

    batch = decode([frame], 105)

    assert links(batch) == (C, A)
    assert (batch.marks[0], batch.ip_version[0]) == (PROTECTED, 0)


def test_fragments_aggregates_and_empty_frames():
    later = data(SC=1) / Raw(bytes(INNER))
    aggregate = bytes(data(subtype=8)) + struct.pack("<H", 0x80) + bytes(60)
    null = data(TO_DS, subtype=4)

    batch = decode([bytes(later), aggregate, bytes(null), bytes(data())[:20]], 105)

    assert batch.marks.tolist() == [LATER_FRAGMENT, UNDECODED_LINK, 0, SHORT_HEADERS]
    assert batch.ip_version.tolist() == [0, 0, 0, 0]


@pytest.mark.parametrize(
    "present",
    [
        pytest.param("", id="nothing"),
        pytest.param("Flags", id="flags"),
        pytest.param("TSFT+Flags", id="time-and-flags"),
        pytest.param("TSFT+Flags+Rate+Channel+dBm_AntSignal", id="many"),
    ],
)
@pytest.mark.parametrize("checked", [False, True])
def test_radiotap(present, checked):
    """A frame check sequence is told of by bit 0x10 of the Flags field, which the time pushes to octet 16."""
    checked = checked and "Flags" in present
    header = RadioTap(present=present, Flags="FCS" if checked else 0) if present else RadioTap(present=0)
    frame = bytes(header) + bytes(data(FROM_DS)) + bytes(INNER) + (b"fcs." if checked else b"")

    batch = decode([frame], 127)

    assert links(batch) == (C, A)
    assert batch.payload(0) == b"abc"
    assert batch.marks[0] == 0


def test_radiotap_check_sequence_is_no_payload():
    """Without an IP length to bound it, an octet of the check sequence would be read as the frame's."""
    radiotap = struct.pack("<BBHIB", 0, 0, 9, 0x2, 0x10)
    frame = (
        radiotap
        + bytes(data(FROM_DS))
        + bytes(INNER)[:8]
        + bytes(IP(len=0) / UDP(len=0) / Raw(b"abc"))
        + b"fcs."
    )

    assert decode([frame], 127).payload(0) == b"abc"


def test_radiotap_present_words_follow_one_another():
    """Bit 31 announces another word; the fields begin behind the last."""
    words = struct.pack("<III", 0x8000_0002, 0x8000_0000, 0)
    frame = struct.pack("<BBH", 0, 0, 17) + words + b"\x10" + bytes(data(FROM_DS)) + bytes(INNER) + b"fcs."

    assert decode([frame], 127).payload(0) == b"abc"


def test_padding_behind_the_header():
    """Flags bit 0x20: the frame's header is padded to a multiple of four octets."""
    header = bytes(data(FROM_DS, subtype=8) / Dot11QoS())
    frame = struct.pack("<BBHIB", 0, 0, 9, 0x2, 0x20) + header + b"\0\0" + bytes(INNER)

    assert len(header) == 26
    assert decode([frame], 127).payload(0) == b"abc"


@pytest.mark.parametrize(
    "octets", [b"", b"\0\0\7\0\0\0\0\0", b"\1\0\10\0\0\0\0\0" + bytes(40), b"\0\0\xff\xff" + bytes(60)]
)
def test_broken_radiotap_is_marked(octets):
    batch = decode([octets], 127)

    assert batch.marks[0] == SHORT_HEADERS
