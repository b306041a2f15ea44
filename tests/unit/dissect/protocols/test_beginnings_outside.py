"""
No protocol of the ways to the outside claims the octets of another, none of theirs is claimed, nor is noise.

Samples: those of ``test_beginnings`` and the vectors of RFC 5769, 6886, 6887 and 9001.
"""

import random

import pytest
from scapy.layers.quic import QUIC_Initial

from auditor.dissect.protocols import natpmp, pcp, quic, stun
from tests.dissector_checks import vector
from tests.unit.dissect.protocols.test_beginnings import DATAGRAMS, ROWS, STREAMS
from tests.unit.dissect.protocols.test_stun import IPV4, IPV6, REQUEST

OWN = (quic.DISSECTOR, *stun.DISSECTORS, natpmp.DISSECTOR, pcp.DISSECTOR)
SAMPLES = {
    "quic": [
        *(vector(f"quic/quic-{name}") for name in ("initial-client", "initial-server", "retry")),
        bytes(QUIC_Initial()),
        bytes.fromhex("8000000000 02 0102 01 03 00000001 6b3343cf"),
    ],
    "stun": [REQUEST, IPV4, IPV6],
    "nat-pmp": [vector("portmapping/natpmp-map-tcp"), vector("portmapping/natpmp-map-tcp-response"), b"\0\0"],
    "pcp": [vector("portmapping/pcp-map-tcp")],
}
OTHERS = {
    # RTP (RFC 3550 5.1), a simple NTP client that does not know the time (RFC 4330 section 5), a relayed channel
    # (RFC 8656 12.4), a DTLS 1.3 record (RFC 9147 4), an OSC bundle (OSC 1.0), a BACnet/IP header.
    "none of ours": [
        bytes.fromhex("80000000000000000000000000"),
        b"\xe3" + bytes(47),
        bytes.fromhex("400000056c616d7073"),
        bytes.fromhex("2c000000112233"),
        b"#bundle\0" + bytes(8),
        bytes.fromhex("810b000c0120ffff00ff1008"),
    ]
}


@pytest.mark.parametrize("row", OWN, ids=lambda row: f"{row.name}-{row.transport}")
def test_only_its_own_octets_are_claimed(row):
    for name, samples in [*SAMPLES.items(), *OTHERS.items(), *DATAGRAMS.items(), *STREAMS.items()]:
        for octets in samples:
            if octets == bytes(QUIC_Initial()) and row.name == "quic":
                continue  # stands in DATAGRAMS as nobody's
            assert row.looks_like(octets[:64]) == (name == row.name), octets[:64]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.name}-{row.transport}")
def test_own_octets_are_not_claimed_by_others(row):
    if row.transport in ("icmp", "icmpv6", "igmp"):
        return  # no datagram of UDP is ever shown to them
    for samples in SAMPLES.values():
        for octets in samples:
            assert not row.looks_like(octets[:64]), octets[:64]


@pytest.mark.parametrize("row", OWN, ids=lambda row: f"{row.name}-{row.transport}")
def test_noise_is_not_claimed(row):
    noise = random.Random(11)
    claimed = sum(row.looks_like(noise.randbytes(64)) for _ in range(20_000))

    assert claimed == 0


@pytest.mark.parametrize("row", OWN, ids=lambda row: f"{row.name}-{row.transport}")
def test_any_beginning_has_an_answer(row):
    noise = random.Random(12)
    for length in range(65):
        for first in range(0, 256, 5):
            head = bytes([first])[:length] + noise.randbytes(max(0, length - 1))
            assert row.looks_like(head) in (True, False)
            if row.client_speaks:
                assert row.client_speaks(head) in (True, False, None)
