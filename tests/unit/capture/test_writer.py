"""Oracles: dpkt 1.9.8 (BSD) and scapy 2.8 (GPL-2.0-only) read what is written here."""

import io

import dpkt
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.utils import RawPcapNgReader

from auditor.capture.record import InterfaceFacts
from auditor.capture.writer import PacketRecord, write_pcap, write_pcapng
from tests.unit.capture.octets_of_captures import read_all

records = st.lists(
    st.builds(
        lambda time, octets, more: PacketRecord(timestamp_ns=time, octets=octets, original_length=len(octets) + more),
        st.integers(10**9, 2**32 * 10**9 - 1), st.binary(max_size=60), st.integers(0, 9),
    ),
    max_size=8,
)  # fmt: skip


@settings(max_examples=40)
@given(records)
def test_classic_files_are_read_by_others_and_by_us(written):
    file = io.BytesIO()
    assert write_pcap(file, written, link_type=113) == len(written)

    other = dpkt.pcap.Reader(io.BytesIO(file.getvalue()))
    assert other.datalink() == 113
    assert [frame for _, frame in other] == [record.octets for record in written]
    rows, _ = read_all(file.getvalue())
    assert [row[:3] for row in rows] == [(r.octets, r.wire_length, r.timestamp_ns) for r in written]


def test_microseconds_are_cut():
    file = io.BytesIO()
    write_pcap(file, [PacketRecord(timestamp_ns=1_234_567_891, octets=b"a")], nanoseconds=False)

    assert read_all(file.getvalue())[0][0][2] == 1_234_567_000


@settings(max_examples=40)
@given(records)
def test_block_files_are_read_by_others_and_by_us(written):
    file = io.BytesIO()
    interfaces = [InterfaceFacts(link_type=1, snap_length=0), InterfaceFacts(link_type=101, snap_length=0)]
    assert write_pcapng(file, written, interfaces) == len(written)

    theirs = [
        (frame, (meta.tshigh << 32) + meta.tslow)
        for frame, meta in RawPcapNgReader(io.BytesIO(file.getvalue()))
    ]
    assert theirs == [(record.octets, record.timestamp_ns) for record in written]
    rows, facts = read_all(file.getvalue())
    assert [row[:3] for row in rows] == [(r.octets, r.wire_length, r.timestamp_ns) for r in written]
    assert [item.link_type for item in facts.interfaces] == [1, 101]


def test_everything_that_can_be_said_comes_back():
    told = InterfaceFacts(
        link_type=1, snap_length=96, name="eth0", description="hall", capture_filter="port 80",
        hardware="card", operating_system="system", received=5, dropped=2,
    )  # fmt: skip
    packet = PacketRecord(timestamp_ns=7, octets=b"abcde", comments=("licht an ☀", "second"), dropped=1)
    file = io.BytesIO()
    write_pcapng(file, [packet], [told], comment="made up")

    _, facts = read_all(file.getvalue())

    assert facts.interfaces == (told,)
    assert [comment.text for comment in facts.comments] == ["made up", "licht an ☀", "second"]
    assert [(issue.kind.value, issue.count) for issue in facts.issues] == [("filtered", 1), ("dropped", 2)]
