"""
Confusion: no row of the table claims the octets of another protocol on a foreign port, nor noise.

Samples: vectors of the standards and messages of other libraries, as in the tests of each protocol.
"""

import random

import pytest

from auditor.dissect.stream_rows import StreamRows
from auditor.dissect.table import DISSECTORS
from tests.dissector_checks import vector
from tests.unit.dissect.protocols.test_rtsp_and_http2 import DESCRIBE, REFUSAL, peers
from tests.unit.dissect.protocols.test_shells_and_files import CHOICE, NEGOTIATION, OFFER, OLD_OFFER, REQUEST
from tests.unit.dissect.tls_peers import handshake

STREAMS = {
    "tls": [next(octets for _, octets in handshake()[0])],
    "http": [
        vector("websocket/websocket-upgrade-request"),
        b"OPTIONS * HTTP/1.1\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n\r\n",
    ],
    "mqtt": [vector("mqtt/mqtt311-connect-full"), b"\x20\x02\x00\x00"],
    "websocket": [b'\x81\x0b{"on":true}'],
    "http2": [peers()[0]],
    "rtsp": [DESCRIBE, REFUSAL, b"OPTIONS * RTSP/1.0\r\n\r\n"],
    "ssh": [b"SSH-2.0-billsSSH_3.6.3q3\r\n"],
    "ftp": [b"220 FTP server ready.\r\n"],
    "telnet": [NEGOTIATION],
    "smb": [],  # on its ports alone, or with the mark of its version
    "json": [b'{"on":true}\n', b'[{"on":true}]'],
    None: [
        b"220 mail.example ESMTP\r\n",
        b"EHLO lamp.example\r\n",
        b"hello\r\n",
        vector("websocket/websocket-unmasked-text"),
        bytes(64),
        b"\xff" * 64,
        b"<?xml version='1.0'?><Envelope/>",
    ],
}
DATAGRAMS = {
    "coap": [vector("coap/coap-get-temperature"), vector("coap/coap-get-token")],
    "tftp": [REQUEST],
    "json": [b'{"on":true}'],
    "ddp": [b"\x41\x01\x10\x01\x00\x00\x00\x00\x00\x06" + bytes(6)],
    "osc": [b"/lamp/1\0,f\0\0\x3f\x80\0\0"],
    "dtls": [bytes.fromhex("16fefd0000000000000000007a010000") + bytes(48)],
    "artnet": [vector("artnet/artnet-poll"), vector("artnet/artnet-dmx")],
    "ssdp": [b"M-SEARCH * HTTP/1.1\r\nST: ssdp:all\r\n\r\n"],
    None: [
        vector("coap/coap-205-content"),  # an answer alone tells too little on any port
        bytes.fromhex("806063cd000000a0f14e27b1") + bytes(40),  # RTP (RFC 3550 5.1)
        bytes(64),
        b"\xff" * 64,
    ],
}
ROWS = StreamRows(DISSECTORS)


@pytest.mark.parametrize("name", STREAMS, ids=str)
def test_a_stream_of_any_port_belongs_to_one(name):
    for octets in STREAMS[name]:
        claimed = {
            row.name
            for row in DISSECTORS
            if row.transport == "tcp" and row.any_port and row.looks_like(octets[:64])
        }
        assert claimed == ({name} if name else set()), octets[:64]
        found = ROWS.choose((40_000, 50_000), octets[:64], is_opening=True)
        assert (found.name if found else None) == name


@pytest.mark.parametrize("name", DATAGRAMS, ids=str)
def test_a_datagram_of_any_port_belongs_to_one(name):
    for octets in DATAGRAMS[name]:
        claimed = {
            row.name
            for row in DISSECTORS
            if row.transport == "udp" and row.any_port and row.looks_like(octets[:64])
        }
        assert claimed == ({name} if name else set()), octets[:64]


@pytest.mark.parametrize("octets", [OFFER, CHOICE, OLD_OFFER])
def test_file_sharing_on_any_port(octets):
    assert ROWS.choose((1, 2), octets[:64], is_opening=True).name == "smb"
    assert ROWS.choose((1, 2), octets[:64], is_opening=False) is None


@pytest.mark.parametrize(
    "row", [row for row in DISSECTORS if row.transport in ("tcp", "udp")], ids=lambda row: row.name
)
def test_noise_is_not_claimed(row):
    noise = random.Random(11)
    claimed = sum(row.looks_like(noise.randbytes(64)) for _ in range(10_000))

    assert claimed <= (0 if row.any_port else 20)


@pytest.mark.parametrize("row", DISSECTORS, ids=lambda row: row.name)
def test_any_beginning_has_an_answer(row):
    noise = random.Random(12)
    tests = [row.looks_like, *([row.continues] if row.continues else [])]
    for length in range(65):
        for first in range(0, 256, 3):
            head = bytes([first])[:length] + noise.randbytes(max(0, length - 1))
            assert all(test(head) in (True, False) for test in tests)
            if row.client_speaks:
                assert row.client_speaks(head) in (True, False, None)
