"""Oracle: scapy 2.8 (GPL-2.0-only) builds the error messages of RFC 792 and RFC 4443."""

import numpy as np
import pytest
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.inet6 import ICMPv6DestUnreach, ICMPv6EchoRequest, ICMPv6ParamProblem, IPv6
from scapy.layers.l2 import Ether
from scapy.packet import Raw

from auditor.packets.batch import address_from_words
from auditor.packets.quoted import decode_quoted
from tests.unit.packets.frames import decode

# Both link addresses are given: scapy would otherwise ask the network for them.
ETHER = Ether(src="00:00:5e:00:53:01", dst="00:00:5e:00:53:02")
OUTER = ETHER / IP(src="192.0.2.1", dst="192.0.2.9")
OUTER6 = ETHER / IPv6(src="2001:db8::1", dst="2001:db8::9")


def text(high, low):
    import ipaddress

    octets = bytes(address_from_words(int(high), int(low)))
    return str(ipaddress.ip_address(octets[12:] if octets[:12] == bytes(10) + b"\xff\xff" else octets))


def test_what_errors_quote():
    frames = [
        OUTER / ICMP(type=3, code=3) / IP(src="192.0.2.9", dst="198.51.100.7") / UDP(sport=1000, dport=53),
        OUTER / ICMP(type=8) / Raw(bytes(60)),
        OUTER / ICMP(type=3, code=13) / IP(src="192.0.2.9", dst="198.51.100.8") / TCP(sport=2000, dport=443),
        OUTER6
        / ICMPv6DestUnreach(code=1)
        / IPv6(src="2001:db8::9", dst="2001:db8:1::1")
        / TCP(sport=3000, dport=80),
        OUTER6 / ICMPv6EchoRequest(data=bytes(60)),
        OUTER / UDP(sport=3, dport=3) / Raw(bytes(60)),
    ]
    octets = [bytes(frame) for frame in frames]
    octets[2] = octets[2][: 14 + 20 + 8 + 20 + 8]  # RFC 792: the header and 64 bits
    batch = decode(octets)

    quoted = decode_quoted(batch, np.arange(len(frames)))

    assert len(quoted) == 3
    assert quoted.index.tolist() == [0, 2, 3]
    assert quoted.ip_version.tolist() == [4, 4, 6]
    assert quoted.type.tolist() == [3, 3, 1]
    assert quoted.code.tolist() == [3, 13, 1]
    assert quoted.protocol.tolist() == [17, 6, 6]
    assert quoted.source_port.tolist() == [1000, 2000, 3000]
    assert quoted.destination_port.tolist() == [53, 443, 80]
    assert [text(*pair) for pair in zip(quoted.destination_high, quoted.destination_low, strict=True)] == [
        "198.51.100.7", "198.51.100.8", "2001:db8:1::1",
    ]  # fmt: skip
    assert text(quoted.source_high[0], quoted.source_low[0]) == "192.0.2.9"


@pytest.mark.parametrize("kept", range(42, 42 + 30))
def test_a_quote_cut_short_gives_no_ports_and_no_more(kept):
    frame = OUTER / ICMP(type=3, code=3) / IP(src="192.0.2.9", dst="198.51.100.7") / UDP(sport=1000, dport=53)
    batch = decode([bytes(frame)], limit=kept)

    quoted = decode_quoted(batch, np.array([0]))

    assert len(quoted) == (1 if kept >= 62 else 0)
    if len(quoted):
        assert quoted.source_port[0] == (1000 if kept >= 66 else 0)


def test_only_what_was_asked_for():
    frame = bytes(OUTER6 / ICMPv6ParamProblem(code=1) / IPv6() / UDP(sport=1, dport=2))
    batch = decode([frame, frame, frame])

    assert decode_quoted(batch, np.array([2, 0])).index.tolist() == [2, 0]
    assert len(decode_quoted(batch, np.zeros(0, np.int64))) == 0
