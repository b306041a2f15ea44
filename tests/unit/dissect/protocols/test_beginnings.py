"""
No protocol claims the octets of another, nor noise.

Samples: vectors of the standards and messages of other libraries, as in the tests of each protocol.
"""

import random

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.quic import QUIC_Initial

from auditor.dissect.protocols import (
    artnet,
    ddp,
    dhcp,
    dns,
    e131,
    igmp,
    knxnet,
    mdns,
    mld,
    mqtt,
    ntp,
    osc,
    ssdp,
)
from tests.dissector_checks import vector

ROWS = (
    *dns.DISSECTORS,
    *knxnet.DISSECTORS,
    *osc.DISSECTORS,
    *(module.DISSECTOR for module in (mdns, dhcp, ntp, ssdp, mqtt, e131, artnet, ddp, igmp, mld)),
)
DATAGRAMS = {
    "domain": [vector("dns/dns-query-www.example.com-A"), vector("dns/dns-response-AAAA")],
    "bootps": [
        bytes(BOOTP(chaddr=b"\x02\0\0\0\0\x07") / DHCP(options=[("message-type", "discover"), "end"]))
    ],
    "ntp": [vector("ntp/ntp-client")],
    "ssdp": [
        b"M-SEARCH * HTTP/1.1\r\nST: ssdp:all\r\n\r\n",
        b"NOTIFY * HTTP/1.1\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n\r\n",
    ],
    "e131": [vector("e131/e131-data-lengths-right"), vector("e131/e131-sync-appendixB-corrected")],
    "artnet": [vector("artnet/artnet-poll"), vector("artnet/artnet-dmx"), vector("artnet/artnet-ipprog")],
    "ddp": [vector("ddp/ddp-rgb-push"), vector("ddp/ddp-config-write")],
    "osc": [vector("osc/osc-440"), b"#bundle\0" + bytes(8)],
    "efcp": [vector("knxnet/knx-search-request")],
    # RFC 7252 appendix A; a long header of RFC 9000; a DTLS 1.2 record (RFC 6347 4.1); RTP (RFC 3550 5.1); text.
    "none of ours": [
        bytes.fromhex("40017d34bb74656d7065726174757265"),
        bytes(QUIC_Initial()),
        bytes.fromhex("16fefd0000000000000000007a010000"),
        bytes.fromhex("806063cd000000a0f14e27b1") + bytes(40),
        b"<?xml version='1.0'?><Envelope/>",
        b'{"on":true}',
        bytes.fromhex("00000000000100000000000000000100"),  # an empty name that ends too early
        b"/lamp/1\0\0\0\0\0\x3f\x80\0\0",
        b"#comment in words",
        bytes(64),
        b"\xff" * 64,
    ],
}
STREAMS = {
    "domain": [b"\x00\x21" + vector("dns/dns-query-www.example.com-A")],
    "mqtt": [vector("mqtt/mqtt311-connect-full"), b"\x20\x02\x00\x00"],
    "efcp": [vector("knxnet/knx-search-request")],
    "osc": [b"\0\0\0\x20" + vector("osc/osc-440"), b"\xc0" + vector("osc/osc-440") + b"\xc0"],
    # A TLS record (RFC 8446 5.1), HTTP/1 both ways, HTTP/2 (RFC 9113 3.4), a shell's banner, WebSocket (RFC 6455 5.7).
    "none of ours": [
        bytes.fromhex("16030100c4010000c00303") + bytes(53),
        b"GET / HTTP/1.1\r\nHost: lamp.example\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"SSH-2.0-lamp\r\n",
        bytes.fromhex("818537fa213d7f9f4d5158"),
        b"\xff\xfb\x01\xff\xfb\x03",
        bytes.fromhex("01000008000000000100000800000001"),  # counted messages of eight octets
        bytes(64),
        b"\xff" * 64,
    ],
}


@pytest.mark.parametrize("row", [row for row in ROWS if row.transport == "udp"], ids=lambda row: row.name)
def test_datagrams_of_others_are_not_claimed(row):
    same = {"mdns": {"mdns", "domain"}}.get(row.name, {row.name})
    for name, samples in DATAGRAMS.items():
        for octets in samples:
            assert row.looks_like(octets[:64]) == (name in same), octets[:64]


@pytest.mark.parametrize("row", [row for row in ROWS if row.transport == "tcp"], ids=lambda row: row.name)
def test_streams_of_others_are_not_claimed(row):
    for name, samples in STREAMS.items():
        for octets in samples:
            assert row.looks_like(octets[:64]) == (name == row.name), octets[:64]


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row.transport in ("udp", "tcp")], ids=lambda row: row.name
)
def test_noise_is_not_claimed(row):
    noise = random.Random(7)
    claimed = sum(row.looks_like(noise.randbytes(64)) for _ in range(20_000))

    # A protocol that is tried on its own ports alone may err now and then.
    assert claimed <= (0 if row.any_port else 2)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_any_beginning_has_an_answer(row):
    noise = random.Random(8)
    for length in range(65):
        for first in range(0, 256, 5):
            head = bytes([first])[:length] + noise.randbytes(max(0, length - 1))
            assert row.looks_like(head) in (True, False)
            if row.client_speaks:
                assert row.client_speaks(head) in (True, False, None)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_row_can_parse(row):
    assert (row.parse_stream is not None) == (row.transport == "tcp")
    assert (row.parse_datagram is not None) == (row.transport != "tcp")
