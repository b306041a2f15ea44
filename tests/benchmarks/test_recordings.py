"""
The benchmark measures what it claims to: its recordings are whole, and every contender sees the same packets.

Oracles: dpkt and scapy, which read the recordings too.
"""

import subprocess
import sys

import dpkt
import pytest
from scapy.layers.l2 import Ether
from scapy.utils import PcapNgReader

from auditor.capture.reader import open_capture
from auditor.dissect.message import Envelope, Issue
from auditor.flows.table import FlowTable
from auditor.packets.decode import decode_batch
from auditor.pipeline import read_messages
from tests.benchmarks.contenders import core, dpkt_loop, scapy_dissection
from tests.benchmarks.recordings import make_recording

PACKETS, FLOWS = 4_000, 200


@pytest.fixture(scope="module")
def pcap(tmp_path_factory):
    path = tmp_path_factory.mktemp("benchmark") / "small.pcap"
    make_recording(path, PACKETS, FLOWS)
    return path


@pytest.fixture(scope="module")
def pcapng(tmp_path_factory):
    path = tmp_path_factory.mktemp("benchmark") / "small.pcapng"
    make_recording(path, PACKETS, FLOWS)
    return path


def test_every_contender_sees_every_packet(pcap, pcapng):
    for path in (pcap, pcapng):
        assert core(path, PACKETS) == PACKETS
        assert dpkt_loop(path, PACKETS) == PACKETS
    assert scapy_dissection(pcap, PACKETS) == PACKETS


def test_lengths_of_headers_agree_with_the_frames(pcap):
    with pcap.open("rb") as file:
        for _, octets in dpkt.pcap.Reader(file):
            network = dpkt.ethernet.Ethernet(octets).data
            if isinstance(network, dpkt.ip.IP):
                assert network.len == len(network)
            elif isinstance(network, dpkt.ip6.IP6):
                assert isinstance(network.data, dpkt.tcp.TCP | dpkt.udp.UDP)


def test_second_interface_counts_nanoseconds(pcapng):
    with PcapNgReader(str(pcapng)) as reader:
        packets = list(reader)
    assert all(isinstance(packet, Ether) for packet in packets)
    moments = [float(packet.time) for packet in packets]
    assert moments == sorted(moments)
    assert 1_700_000_000 <= moments[0] <= moments[-1] <= 1_700_003_600


def test_flows_are_as_many_as_were_made(pcap):
    table = FlowTable()
    with open_capture(pcap) as reader:
        for chunk in reader:
            table.add(decode_batch(chunk))

    assert len(table) == pytest.approx(FLOWS, abs=FLOWS // 10)  # announcements of one host share their ports


def test_run_prints_a_table():
    command = [sys.executable, "-m", "tests.benchmarks.run", "--packets", "2000", "--rounds", "1"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)

    assert "| core |" in done.stdout
    assert "at least 20 × dpkt loop" in done.stdout


def test_streams_have_no_gaps_and_every_known_payload_can_be_read(pcap):
    # RFC 9293 section 3.4: the next sequence number is the last one and what it occupied.
    following: dict[tuple, int] = {}
    with pcap.open("rb") as file:
        for _, octets in dpkt.pcap.Reader(file):
            network = dpkt.ethernet.Ethernet(octets).data
            segment = network.data
            if isinstance(segment, dpkt.tcp.TCP) and not segment.flags & dpkt.tcp.TH_RST:
                key = (network.src, network.dst, segment.sport, segment.dport)
                assert segment.seq == following.get(key, segment.seq)
                occupied = bool(segment.flags & (dpkt.tcp.TH_SYN | dpkt.tcp.TH_FIN))
                following[key] = (segment.seq + len(segment.data) + occupied) % (1 << 32)

    items = list(read_messages(pcap, strict=True))

    assert [item for item in items if isinstance(item, Issue)] == []
    names = {item.protocol for item in items if isinstance(item, Envelope)}
    assert {"https", "http", "mqtt", "domain", "mdns", "ssdp"} & names
