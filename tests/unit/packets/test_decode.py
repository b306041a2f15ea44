"""
Oracle: scapy 2.8 (GPL-2.0-only) builds the packets from field values, and reads
those values back; each property names the RFC whose header it is.
Addresses are of RFC 5737 and RFC 3849, link addresses of RFC 7042 section 2.1.2.
"""

import ipaddress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP, TCP, UDP, IPOption_NOP
from scapy.layers.inet6 import (
    ICMPv6EchoRequest,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
    PadN,
)
from scapy.layers.ipsec import AH
from scapy.layers.l2 import ARP, LLC, SNAP, Dot1AD, Dot1Q, Dot3, Ether
from scapy.layers.ppp import PPP, PPPoE
from scapy.packet import Raw

from auditor.packets.batch import FIRST_FRAGMENT, LATER_FRAGMENT, SHORT_HEADERS, TUNNELLED, UNDECODED_LINK
from tests.unit.packets.frames import decode, destination, links, source

LAMP, HUB = "00:00:5e:00:53:01", "00:00:5e:00:53:02"
ETHER = Ether(src=LAMP, dst=HUB)

v4 = st.integers(0, 2**32 - 1).map(lambda value: str(ipaddress.IPv4Address(value)))
v6 = st.integers(0, 2**128 - 1).map(lambda value: str(ipaddress.IPv6Address(value)))
port = st.integers(0, 65_535)
payload = st.binary(max_size=60)

transport = st.one_of(
    st.builds(
        lambda s, d, seq, ack, flags, options: TCP(sport=s, dport=d, seq=seq, ack=ack, flags=flags, options=options),
        port, port, st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.integers(0, 255),
        st.sampled_from([[], [("MSS", 1460)], [("NOP", None)] * 4, [("MSS", 1460), ("SAckOK", b""), ("WScale", 7)]]),
    ),
    st.builds(lambda s, d: UDP(sport=s, dport=d), port, port),
)  # fmt: skip
wrappers = st.lists(
    st.builds(lambda kind, vid: kind(vlan=vid), st.sampled_from([Dot1Q, Dot1AD]), st.integers(0, 4095)),
    max_size=2,
)
extensions = st.lists(
    st.sampled_from(
        [
            lambda: IPv6ExtHdrHopByHop(options=[PadN(optdata=b"\0" * 4)]),
            lambda: IPv6ExtHdrDestOpt(options=[PadN(optdata=b"\0" * 12)]),
            lambda: IPv6ExtHdrRouting(addresses=["2001:db8::9"]),
            lambda: IPv6ExtHdrFragment(offset=0, m=0, id=77),
        ]
    ),
    max_size=3,
)


@st.composite
def ip_packets(draw):
    upper = draw(transport) / Raw(draw(payload))
    if draw(st.booleans()):
        options = [IPOption_NOP()] * draw(st.integers(0, 8))
        head = IP(src=draw(v4), dst=draw(v4), ttl=draw(st.integers(0, 255)), id=draw(port), options=options)
        return head / upper
    head = IPv6(src=draw(v6), dst=draw(v6), hlim=draw(st.integers(0, 255)))
    for make in draw(extensions):
        head = head / make()
    return head / upper


def check_ip(batch, row, packet):
    """Compare one row with what the oracle reads from the packet's octets."""
    kind = IP if IP in packet else IPv6
    network = packet[kind]
    upper = packet[TCP] if TCP in packet else packet[UDP]
    assert batch.ip_version[row] == (4 if kind is IP else 6)
    for column, text in ((source, network.src), (destination, network.dst)):
        expected = ipaddress.ip_address(text).packed
        assert column(batch, row)[-len(expected) :] == expected
        if kind is IP:
            assert column(batch, row)[:12] == bytes(10) + b"\xff\xff"
    assert batch.hop_limit[row] == (network.ttl if kind is IP else network.hlim)
    assert batch.protocol[row] == (6 if TCP in packet else 17)
    assert (batch.source_port[row], batch.destination_port[row]) == (upper.sport, upper.dport)
    if TCP in packet:
        assert batch.tcp_flags[row] == int(upper.flags) & 0xFF
        assert (batch.tcp_sequence[row], batch.tcp_acknowledgement[row]) == (upper.seq, upper.ack)
    else:
        assert (batch.tcp_flags[row], batch.tcp_sequence[row], batch.tcp_acknowledgement[row]) == (0, 0, 0)
    body = bytes(upper.payload) if Raw in packet else b""
    assert batch.payload(row) == body
    assert batch.payload_length[row] == len(body)
    assert batch.payload_missing[row] == 0


@settings(max_examples=50)
@given(st.lists(st.tuples(wrappers, ip_packets()), min_size=1, max_size=5))
def test_ethernet_tags_ip_and_transport(packets):
    """IEEE 802.1Q, RFC 791, RFC 8200, RFC 9293, RFC 768; frames padded to 60 octets (IEEE 802.3)."""
    frames, parsed = [], []
    for tags, packet in packets:
        frame = ETHER.copy()
        for tag in tags:
            frame = frame / tag.copy()
        octets = bytes(frame / packet)
        frames.append(octets + bytes(max(0, 60 - len(octets))))
        parsed.append(([tag.vlan for tag in tags], type(packet)(bytes(packet))))

    batch = decode(frames)

    for row, (identifiers, packet) in enumerate(parsed):
        assert links(batch, row) == (LAMP, HUB)
        expected = 0
        for identifier in identifiers:
            expected = expected << 12 | identifier
        assert batch.vlan_id[row] == expected
        assert batch.ethertype[row] == (0x0800 if IP in packet else 0x86DD)
        assert batch.marks[row] == 0
        check_ip(batch, row, packet)
    assert batch.identification.dtype == "uint32"


def loop(octets, family, order):
    return family.to_bytes(4, order) + octets


@pytest.mark.parametrize(
    ("link_type", "wrap"),
    [
        pytest.param(101, lambda octets, six: octets, id="raw"),
        pytest.param(12, lambda octets, six: octets, id="raw-12"),
        pytest.param(14, lambda octets, six: octets, id="raw-14"),
        pytest.param(0, lambda octets, six: loop(octets, 30 if six else 2, "little"), id="null-little"),
        pytest.param(0, lambda octets, six: loop(octets, 24 if six else 2, "big"), id="null-big"),
        pytest.param(108, lambda octets, six: loop(octets, 28 if six else 2, "big"), id="loop"),
        pytest.param(
            9, lambda octets, six: b"\xff\x03" + (b"\0\x57" if six else b"\0\x21") + octets, id="ppp"
        ),
        pytest.param(9, lambda octets, six: (b"\x57" if six else b"\x21") + octets, id="ppp-shrunk"),
        pytest.param(
            50, lambda octets, six: b"\xff\x03" + (b"\0\x57" if six else b"\0\x21") + octets, id="ppp-hdlc"
        ),
        pytest.param(
            51, lambda octets, six: bytes(PPPoE(sessionid=9) / PPP(octets_of(octets, six))), id="ppp-ether"
        ),
    ],
)
@settings(max_examples=25)
@given(packet=ip_packets())
def test_link_types_without_link_addresses(link_type, wrap, packet):
    """The pages of the LINKTYPE registry for each number; RFC 1662 3.1 and RFC 2516 for PPP."""
    octets = bytes(packet)

    batch = decode([wrap(octets, IPv6 in packet)], link_type)

    assert (batch.source_link[0], batch.destination_link[0]) == (0, 0)
    check_ip(batch, 0, type(packet)(octets))


def octets_of(octets, six):
    return bytes(PPP(proto=0x57 if six else 0x21)) + octets


@pytest.mark.parametrize(("link_type", "version"), [(228, IP), (229, IPv6)])
def test_link_types_of_one_version(link_type, version):
    packet = version() / UDP(sport=1, dport=2)
    other = (IPv6 if version is IP else IP)() / UDP(sport=1, dport=2)

    batch = decode([bytes(packet), bytes(other)], link_type)

    assert batch.ip_version.tolist() == [4 if version is IP else 6, 0]
    assert batch.marks.tolist() == [0, SHORT_HEADERS]


@settings(max_examples=25)
@given(packet=ip_packets(), tag=st.none() | st.integers(0, 4095))
def test_linux_cooked_captures(packet, tag):
    """LINKTYPE_LINUX_SLL and SLL2, by the registry's page; built by hand."""
    octets, kind = bytes(packet), b"\x86\xdd" if IPv6 in packet else b"\x08\x00"
    if tag is not None:
        octets, kind = tag.to_bytes(2, "big") + kind + octets, b"\x81\x00"
    address = bytes.fromhex("00005e005301") + b"\xaa\xaa"
    sll = b"\0\0" + b"\0\1" + b"\0\6" + address + kind + octets
    sll2 = kind + b"\0\0" + b"\0\0\0\3" + b"\0\1" + b"\4" + b"\6" + address + octets
    no_address = b"\0\0" + b"\3\4" + b"\0\0" + address + kind + octets

    batch = decode([sll, sll2, no_address], [113, 276, 113])

    for row in range(3):
        assert batch.vlan_id[row] == (tag or 0)
        check_ip(batch, row, type(packet)(bytes(packet)))
    assert [links(batch, row)[0] for row in range(3)] == [LAMP, LAMP, "00:00:00:00:00:00"]


def test_netlink_in_a_cooked_capture_is_no_ethernet_type():
    """ARPHRD_NETLINK 824: the protocol field holds a netlink family (the registry's page)."""
    frame = b"\0\0" + (824).to_bytes(2, "big") + bytes(10) + b"\x08\x00" + bytes(IP() / UDP())

    assert decode([frame], 113).ip_version[0] == 0


def test_snap_and_pppoe_on_ethernet():
    """RFC 1042 and RFC 2516; a VLAN tag before either."""
    inner = IP(src="192.0.2.1", dst="192.0.2.2") / UDP(sport=5, dport=6) / Raw(b"abc")
    snap = Dot3(src=LAMP, dst=HUB) / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(OUI=0, code=0x0800) / inner
    bpdu = Dot3(src=LAMP, dst=HUB) / LLC(dsap=0x42, ssap=0x42, ctrl=3) / Raw(bytes(40))
    session = ETHER / Dot1Q(vlan=7) / PPPoE(sessionid=1) / PPP(proto=0x21) / inner
    control = ETHER / PPPoE(sessionid=1) / PPP(proto=0xC021) / Raw(b"\1\1\0\4")

    batch = decode([bytes(frame) for frame in (snap, bpdu, session, control)])

    assert [batch.payload(row) for row in range(4)] == [b"abc", b"", b"abc", b""]
    assert batch.ethertype.tolist() == [0x0800, 0, 0x0800, 0x8864]
    assert batch.vlan_id.tolist() == [0, 0, 7, 0]
    assert batch.marks.tolist() == [0, 0, TUNNELLED, 0]
    assert links(batch, 1) == (LAMP, HUB)


def test_arp():
    """RFC 826, RFC 5494."""
    request = ETHER / ARP(op=1, hwsrc=LAMP, psrc="192.0.2.7", pdst="192.0.2.1")
    strange = ETHER / ARP(op=2, hwlen=8, psrc="192.0.2.7", pdst="192.0.2.1")

    batch = decode([bytes(request) + bytes(18), bytes(strange), bytes(request)[:40]])

    assert batch.ip_version.tolist() == [0, 0, 0]
    assert source(batch)[12:] == bytes([192, 0, 2, 7])
    assert destination(batch)[12:] == bytes([192, 0, 2, 1])
    assert batch.source_port.tolist() == [1, 0, 0]
    assert batch.payload(0) == bytes(request)[14:42]
    assert batch.payload_offset.tolist()[1:] == [-1, -1]
    assert batch.protocol.tolist() == [0, 0, 0]


def test_messages_without_ports():
    """RFC 792, RFC 4443 2.1, RFC 3376 4.2 (IGMP, membership report of version 3 by hand)."""
    echo = ETHER / IP() / ICMP(type=8, code=0) / Raw(b"ping")
    echo6 = ETHER / IPv6() / ICMPv6EchoRequest(data=b"ping")
    unreachable = ETHER / IP() / ICMP(type=3, code=13) / IP() / UDP()
    report = bytes.fromhex("2200 f9fd 0000 0001 04000000 efffff01".replace(" ", ""))
    igmp = ETHER / IP(proto=2, ttl=1) / Raw(report)

    batch = decode([bytes(frame) for frame in (echo, echo6, unreachable, igmp)])

    assert batch.protocol.tolist() == [1, 58, 1, 2]
    assert batch.source_port.tolist() == [8, 128, 3, 0x22]
    assert batch.destination_port.tolist() == [0, 0, 13, 0]
    assert batch.payload(0) == bytes(echo[ICMP])
    assert batch.payload(3) == report
    assert batch.tcp_flags.tolist() == [0, 0, 0, 0]


def test_fragments():
    """RFC 791 3.2, RFC 8200 4.5: only the first fragment holds the transport header."""
    whole = IP(src="192.0.2.1", dst="192.0.2.2", id=4660) / UDP(sport=9, dport=10) / Raw(bytes(range(48)))
    first = IP(bytes(whole))
    first.flags, first.len, first.chksum = "MF", 44, None
    first = ETHER / IP(bytes(first)[:44])
    later = ETHER / IP(src="192.0.2.1", dst="192.0.2.2", id=4660, frag=3, proto=17) / Raw(bytes(24))
    six = IPv6(src="2001:db8::1", dst="2001:db8::2")
    first6 = (
        ETHER / six / IPv6ExtHdrFragment(m=1, id=99, nh=17) / UDP(sport=9, dport=10, len=500) / Raw(bytes(16))
    )
    later6 = ETHER / six / IPv6ExtHdrFragment(offset=3, id=99, nh=6) / Raw(bytes(24))

    batch = decode([bytes(frame) for frame in (first, later, first6, later6)])

    assert batch.marks.tolist() == [FIRST_FRAGMENT, LATER_FRAGMENT, FIRST_FRAGMENT, LATER_FRAGMENT]
    assert batch.identification.tolist() == [4660, 4660, 99, 99]
    assert batch.source_port.tolist() == [9, 0, 9, 0]
    assert batch.protocol.tolist() == [17, 17, 17, 6]
    assert (batch.payload_offset < 0).tolist() == [False, True, False, True]
    assert batch.payload_length.tolist() == [16, 0, 16, 0]


def test_authentication_header_is_stepped_over():
    """RFC 4302 2.2: its length counts words of four octets, less two."""
    frame = ETHER / IPv6(nh=51) / AH(nh=17, payloadlen=4, icv=bytes(12)) / UDP(sport=1, dport=2) / Raw(b"xy")

    batch = decode([bytes(frame)])

    assert (batch.protocol[0], batch.source_port[0], batch.payload(0)) == (17, 1, b"xy")


def test_no_next_header_and_encrypted_payload():
    """RFC 8200 4.7 (59) and RFC 4303 (50): no transport header that we could read, and nothing broken."""
    frames = [bytes(ETHER / IPv6(nh=number) / Raw(bytes(30))) for number in (59, 50)]

    batch = decode(frames)

    assert batch.protocol.tolist() == [59, 50]
    assert batch.payload_offset.tolist() == [-1, -1]
    assert batch.marks.tolist() == [0, 0]


def test_extension_headers_without_end_are_bounded():
    chain = bytes([60, 0, 1, 4, 0, 0, 0, 0]) * 200
    frame = bytes(ETHER / IPv6(nh=60) / Raw(chain))

    batch = decode([frame])

    assert (batch.payload_offset[0], batch.marks[0]) == (-1, SHORT_HEADERS)


@pytest.mark.parametrize("kept", [40, 53, 54, 60, 100])
def test_what_the_snap_length_cut_off_is_counted(kept):
    frame = bytes(ETHER / IP() / TCP(sport=1, dport=2) / Raw(bytes(100)))

    batch = decode([frame], limit=kept)

    if kept < 54:
        assert (batch.payload_offset[0], batch.source_port[0], batch.marks[0]) == (-1, 0, SHORT_HEADERS)
        assert batch.payload_missing[0] == batch.payload_length[0] == 0
    else:
        assert batch.payload_length[0] == kept - 54
        assert batch.payload_missing[0] == 154 - kept


def test_length_of_zero_counts_as_the_frame():
    """Segments recorded before the network card cut them carry no length (common practice)."""
    packet = IP(len=0) / TCP(sport=1, dport=2) / Raw(bytes(500))
    packet6 = IPv6(plen=0) / TCP(sport=1, dport=2) / Raw(bytes(500))

    batch = decode([bytes(ETHER / packet), bytes(ETHER / packet6)], limit=200)

    assert batch.payload_length.tolist() == [146, 126]
    assert batch.payload_missing.tolist() == [354, 374]


@pytest.mark.parametrize(
    "packet",
    [
        pytest.param(IP(version=5) / UDP(), id="version"),
        pytest.param(IP(ihl=4) / UDP(), id="header-too-short"),
        pytest.param(IP(ihl=15) / UDP(), id="header-past-the-packet"),
        pytest.param(IP(len=19) / UDP(), id="length-below-header"),
        pytest.param(IP(len=27) / UDP(), id="length-inside-transport"),
        pytest.param(IP() / UDP(len=7), id="datagram-length"),
        pytest.param(IP() / TCP(dataofs=4), id="offset-too-small"),
        pytest.param(IP() / TCP(dataofs=15), id="offset-past-the-packet"),
    ],
)
def test_broken_headers_are_marked(packet):
    batch = decode([bytes(ETHER / packet)])

    assert batch.marks[0] == SHORT_HEADERS


def test_a_datagram_ends_where_it_says():
    frame = bytes(ETHER / IP() / UDP(sport=1, dport=2, len=11) / Raw(b"abcdefgh"))

    assert decode([frame]).payload(0) == b"abc"


def test_link_types_that_are_not_read_are_marked():
    batch = decode([bytes(40), bytes(40), bytes(ETHER / IP() / UDP(sport=1))], [147, 195, 1])

    assert batch.marks.tolist() == [UNDECODED_LINK, UNDECODED_LINK, 0]
    assert batch.source_port.tolist() == [0, 0, 1]


def test_no_packets():
    assert len(decode([])) == 0


LINK_TYPES = [0, 1, 9, 12, 50, 51, 101, 105, 108, 113, 127, 228, 229, 276]


@given(st.lists(st.tuples(st.sampled_from(LINK_TYPES), st.binary(max_size=120)), min_size=1, max_size=20))
def test_any_octets_stay_inside_their_frame(frames):
    """What stands behind a frame must change nothing: the columns are the same whatever it is."""
    types = [kind for kind, _ in frames]
    octets = [frame for _, frame in frames]
    one = decode(octets, types, filler=0x45)
    two = decode(octets, types, filler=0xFF)

    for name in one.__dataclass_fields__:
        if name != "buffer":
            assert getattr(one, name).tolist() == getattr(two, name).tolist(), name
    for row, frame in enumerate(octets):
        start, length = int(one.payload_offset[row]), int(one.payload_length[row])
        assert length >= 0
        assert one.payload_missing[row] >= 0
        if start >= 0:
            assert one.frame_offset[row] <= start
            assert start + length <= one.frame_offset[row] + len(frame)


@settings(max_examples=25)
@given(packet=ip_packets(), tags=wrappers, kept=st.integers(0, 130))
def test_any_snap_length_stays_inside_its_frame(packet, tags, kept):
    frame = ETHER.copy()
    for tag in tags:
        frame = frame / tag.copy()
    octets = bytes(frame / packet)

    one, two = decode([octets], limit=kept, filler=0x06), decode([octets], limit=kept, filler=0xFE)

    for name in one.__dataclass_fields__:
        if name != "buffer":
            assert getattr(one, name).tolist() == getattr(two, name).tolist(), name
