"""
GRE and VXLAN: RFC 2784 section 2, RFC 2890 section 2, RFC 7348 section 5.
Oracle: scapy 2.8 (GPL-2.0-only) builds the packets.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import GRE, Ether
from scapy.layers.vxlan import VXLAN

from auditor.addresses import format_link
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols import gre, vxlan
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.packets.frames import decode

LAMP, HUB = "02:00:00:00:53:02", "02:00:00:00:53:01"
INNER = Ether(src=LAMP, dst=HUB) / IP(src="192.0.2.1", dst="192.0.2.2") / UDP(sport=7, dport=9)
OUTER = Ether(src=LAMP, dst=HUB) / IP(src="198.51.100.1", dst="198.51.100.2")


@given(
    st.integers(1, 65_535),
    st.none() | st.integers(0, 2**32 - 1),
    st.booleans(),
    st.none() | st.integers(0, 2**32 - 1),
)
@settings(deadline=None, max_examples=50)
def test_heads_of_gre(protocol, key, has_checksum, sequence):
    octets = bytes(
        GRE(
            proto=protocol,
            chksum_present=has_checksum,
            key_present=key is not None,
            key=key,
            seqnum_present=sequence is not None,
            sequence_number=sequence,
        )
        / b"inside"
    )

    found = gre.parse_message(Cursor(octets))

    assert (found.version, found.protocol_type, found.key) == (0, protocol, key)
    assert found.length == len(octets)
    assert gre.looks_like(octets)


@given(st.integers(0, 2**24 - 1))
@settings(deadline=None, max_examples=20)
def test_heads_of_vxlan(identifier):
    octets = bytes(VXLAN(vni=identifier, flags="Instance") / INNER)

    found = vxlan.parse_message(Cursor(octets))

    assert (found.network_identifier, found.inner_ethertype) == (identifier, 0x0800)
    assert (format_link(found.inner_source), format_link(found.inner_destination)) == (LAMP, HUB)
    assert vxlan.looks_like(octets[:64])


@pytest.mark.parametrize(
    ("parse", "octets", "error", "field"),
    [
        pytest.param(gre.parse_message, b"\x00\x02\x08\x00", MalformedError, "version", id="gre-version-2"),
        pytest.param(
            gre.parse_message, b"\x20\x00\x08\x00ab", TruncatedError, "key", id="gre-cut-in-the-key"
        ),
        pytest.param(vxlan.parse_message, bytes(30), MalformedError, "flags", id="vxlan-not-valid"),
        pytest.param(
            vxlan.parse_message, b"\x08" + bytes(20), TruncatedError, "inner_ethertype", id="vxlan-cut"
        ),
    ],
)
def test_error_names_the_field(parse, octets, error, field):
    with pytest.raises(error) as info:
        parse(Cursor(octets))

    assert info.value.field == field


@given(damaged(bytes(GRE(key_present=1, key=7) / b"inside"), bytes(VXLAN(vni=7, flags=8) / INNER)))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(gre.parse_message, octets)
    assert_message_or_decode_error(vxlan.parse_message, octets)


def test_dispatch_names_them():
    frames = [
        bytes(OUTER / GRE(proto=0x6558) / INNER),
        bytes(OUTER / UDP(sport=50_000, dport=4789) / VXLAN(vni=9, flags=8) / INNER),
    ]

    first, second = Dispatcher(strict=True).feed(decode(frames), np.zeros(2, np.bool_))

    assert (first.protocol, first.message.protocol_type) == ("gre", 0x6558)
    assert (first.flow.protocol, first.source.port, first.destination.port) == (47, 0, 0)
    assert (second.protocol, second.message.network_identifier) == ("vxlan", 9)
