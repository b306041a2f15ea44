"""
Oracles: the link type tables of dpkt 1.9.8 (BSD) and scapy 2.8, and the socket
library's constants for protocol numbers.  The service names are those of the
IANA registry's extract; here a few are checked against the RFC that assigns them.
"""

import socket

import dpkt
import pytest
import scapy.data

from auditor.registries import LINK_TYPE_NAMES, PROTOCOL_NAMES, link_type_name, protocol_name, service_name

# The registry's LINKTYPE names where they differ from the older DLT names (draft-ietf-opsawg-pcaplinktype).
OLDER = {
    "EN10MB": "ETHERNET", "EN3MB": "EXP_ETHERNET", "IEEE802": "IEEE802_5", "ARCNET": "ARCNET_BSD",
    "PPP_SERIAL": "PPP_HDLC", "IEEE802_11_RADIO": "IEEE802_11_RADIOTAP", "IEEE802_11_RADIO_AVS": "IEEE802_11_AVS",
    "PRISM_HEADER": "IEEE802_11_PRISM", "IEEE802_15_4": "IEEE802_15_4_WITHFCS", "RAW_ALT": "RAW",
    "IPMB_LINUX": "I2C_LINUX",
}  # fmt: skip


@pytest.mark.parametrize("module", [dpkt.pcap, scapy.data], ids=["dpkt", "scapy"])
def test_names_agree_with_other_tables(module):
    compared = 0
    for name, number in vars(module).items():
        # 18 differs between systems; 253 stands twice in one table, 254 in the other.
        if (
            name.startswith("DLT_")
            and isinstance(number, int)
            and number in LINK_TYPE_NAMES
            and number not in (18, 253)
        ):
            plain = name.removeprefix("DLT_")
            assert LINK_TYPE_NAMES[number] == OLDER.get(plain, plain)
            compared += 1
    assert compared > 40


def test_unknown_link_types_keep_their_number():
    assert link_type_name(1240) == "LINKTYPE_1240"
    assert link_type_name(276) == "LINUX_SLL2"


def test_protocol_numbers():
    for name in ("ICMP", "IGMP", "TCP", "UDP", "ICMPV6", "GRE", "ESP", "AH", "SCTP", "IPV6"):
        assert PROTOCOL_NAMES[getattr(socket, f"IPPROTO_{name}")] == name.lower()
    assert protocol_name(254) is None


@pytest.mark.parametrize(
    ("transport", "port", "name"),
    [
        ("tcp", 80, "http"),  # RFC 9110
        ("udp", 5353, "mdns"),  # RFC 6762
        ("udp", 5683, "coap"),  # RFC 7252
        ("udp", 67, "bootps"),  # RFC 951
        ("udp", 5351, "pcp"),  # RFC 6887
        ("tcp", 853, "domain-s"),  # RFC 7858
        ("tcp", 5351, None),
        ("udp", 4048, None),
        ("sctp", 80, None),
    ],
)
def test_service_names(transport, port, name):
    assert service_name(transport, port) == name


def test_service_names_agree_with_the_system_where_it_knows_them():
    compared = 0
    for transport, ports in (("tcp", (21, 22, 23, 53, 80, 443, 554)), ("udp", (53, 69, 123, 161))):
        for port in ports:
            try:
                theirs = socket.getservbyport(port, transport)
            except OSError:
                continue
            assert service_name(transport, port) == theirs
            compared += 1
    if not compared:
        pytest.skip("this system has no services file")
