"""
Names, discovery and the link layer: none claims the octets of another, nor noise.

Samples: vectors of the standards and messages that scapy 2.8 (GPL-2.0-only) builds, as in the tests of each.
"""

import random

import pytest
from scapy.layers.dhcp6 import DUID_LL, DHCP6_Solicit, DHCP6OptClientId
from scapy.layers.dns import DNSQR
from scapy.layers.inet6 import ICMPv6EchoRequest, ICMPv6MLReport, ICMPv6ND_NS, ICMPv6ND_RA
from scapy.layers.l2 import GRE
from scapy.layers.llmnr import LLMNRQuery
from scapy.layers.netbios import NBNSHeader, NBNSQueryRequest

from auditor.dissect.table import DISSECTORS
from tests.dissector_checks import vector

LINK = "02:00:00:00:53:02"
SAMPLES = {
    "llmnr": [bytes(LLMNRQuery(qd=[DNSQR(qname="lamp")]))],
    "netbios-ns": [bytes(NBNSHeader() / NBNSQueryRequest(QUESTION_NAME="LAMP"))],
    "ws-discovery": [b'<?xml version="1.0"?><s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope">'],
    "dhcpv6": [bytes(DHCP6_Solicit(trid=0x123456) / DHCP6OptClientId(duid=DUID_LL(lladdr=LINK)))],
    "vxlan": [b"\x08\0\0\0\0\0\x07\0" + bytes(20)],
    "neighbour": [bytes(ICMPv6ND_NS(tgt="fe80::7")), bytes(ICMPv6ND_RA())],
    "mld": [bytes(ICMPv6MLReport(mladdr="ff02::fb"))],
    "gre": [bytes(GRE(proto=0x6558))],
    "domain": [vector("dns/dns-query-www.example.com-A"), vector("dns/dns-response-AAAA")],
    "ntp": [vector("ntp/ntp-client")],
    "artnet": [vector("artnet/artnet-poll")],
    "e131": [vector("e131/e131-data-lengths-right")],
    "none of ours": [bytes(ICMPv6EchoRequest()), bytes(64), b"\xff" * 64, b'{"on":true}', b"<html></html>"],
}
# One grammar on several ports: the port tells them apart, and so none of these is tried on any other.
SAME = {"llmnr": {"llmnr", "domain"}, "netbios-ns": {"netbios-ns"}}
OURS = {"llmnr", "netbios-ns", "ws-discovery", "dhcpv6", "vxlan", "neighbour", "gre"}
ROWS = [row for row in DISSECTORS if row.name in OURS]


def test_all_rows_are_here():
    assert {row.name for row in ROWS} == OURS
    # WS-Discovery 1.1 section 3.1.1: an answer goes from any port to the port of the question.
    assert [row.name for row in ROWS if row.transport == "udp" and row.any_port] == ["ws-discovery"]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_octets_of_others_are_not_claimed(row):
    same_transport = {other.name for other in DISSECTORS if other.transport == row.transport} | {
        "none of ours"
    }
    for name, samples in SAMPLES.items():
        if name not in same_transport:
            continue  # dispatch never asks
        for octets in samples:
            claimed = row.looks_like(octets[:64])
            if name == row.name:
                assert claimed
            elif claimed:
                assert name in SAME.get(row.name, ()), (row.name, name)


@pytest.mark.parametrize("row", [row for row in ROWS if row.transport == "udp"], ids=lambda row: row.name)
def test_noise_is_not_claimed(row):
    noise = random.Random(7)

    assert sum(row.looks_like(noise.randbytes(64)) for _ in range(20_000)) <= 2


@pytest.mark.parametrize("row", DISSECTORS, ids=lambda row: f"{row.name}-{row.transport}")
def test_any_beginning_has_an_answer(row):
    noise = random.Random(8)
    for length in range(65):
        for first in range(0, 256, 5):
            head = bytes([first])[:length] + noise.randbytes(max(0, length - 1))
            assert row.looks_like(head) in (True, False)
