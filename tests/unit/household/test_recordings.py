"""
The builders' octets against readers that others wrote.

Oracles: scapy and dpkt (dissection, checksums), dnspython (messages), h11 (requests), tcpdump where it is installed.
"""

import hashlib
import re
import shutil
import subprocess

import dns.message
import dns.rcode
import dpkt
import pytest
from scapy.config import conf
from scapy.layers.dhcp import DHCP
from scapy.layers.dns import DNS
from scapy.layers.dot11 import Dot11, Dot11AssoReq, Dot11Auth, Dot11Beacon, Dot11Elt, Dot11EltRSN
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.inet6 import (
    ICMPv6DestUnreach,
    ICMPv6ND_NS,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptPrefixInfo,
    IPv6,
)
from scapy.layers.l2 import ARP, Ether
from scapy.layers.ntp import NTPHeader
from scapy.utils import PcapNgReader, rdpcap
from scapy.utils6 import in6_addrtomac

from tests.builders import Recording
from tests.household import air, messages
from tests.household.__main__ import CAPTURES
from tests.household.gadgets import GADGET_STORIES
from tests.household.home import (
    CLOUD,
    FILE_SERVER,
    HUB,
    LAPTOP,
    LIGHT,
    LIGHTS,
    MOVED_LIGHT,
    PHONE,
    SHOW_COMPUTER,
    TIME_SERVER,
)
from tests.household.messages import http_request, http_response
from tests.household.sessions import transcript, with_encrypted_client_hello
from tests.household.stories import STORIES as EVENINGS

conf.verb = 0
STORIES = EVENINGS | GADGET_STORIES


def a_bit_of_everything() -> Recording:
    recording = Recording()
    recording.dhcp_lease(LIGHT, vendor_class="udhcp 1.36.1")
    recording.mdns_probe(LIGHT)
    recording.mdns_announce(LIGHT)
    recording.mdns_announce(LIGHT, goodbye=True)
    recording.mdns_browse(PHONE)
    recording.ssdp_search(HUB)
    recording.igmp_join(LIGHT, "239.255.0.1")
    recording.router_advertisement()
    recording.neighbour(LIGHT, LIGHT)
    recording.neighbour(PHONE, LIGHT)
    recording.dns_lookup(LIGHT, CLOUD.name, [CLOUD.ipv4])
    recording.dns_lookup(LIGHT, CLOUD.name, [CLOUD.ipv6], family="ipv6")
    recording.dns_lookup(LIGHT, "nobody.example", fails=True)
    recording.ntp(LIGHT, TIME_SERVER, "ipv6")
    recording.tls_session(LIGHT, CLOUD, transcript(CLOUD.name))
    recording.http_exchange(
        PHONE, LIGHT, http_request("GET", "/", "light"), http_response(200, b"x" * 4000), family="ipv6"
    )
    recording.attempt(LIGHT, FILE_SERVER, 445)
    recording.attempt(LIGHT, CLOUD, 80, answer="reset")
    recording.attempt(LIGHT, CLOUD, 80, answer="prohibited")
    recording.attempt(LIGHT, CLOUD, 80, answer="prohibited", family="ipv6")
    recording.group_datagram(SHOW_COMPUTER, "239.255.0.1", (5568, 5568), messages.e131(1, 7, bytes(512)))
    return recording


def checksums(frame: bytes) -> list[tuple[int, int]]:
    """Pairs of (written, computed by scapy)."""
    packet = Ether(frame)
    pairs = []
    for layer in (IP, TCP, UDP, ICMP):
        if layer in packet:
            written = packet[layer].chksum
            again = Ether(frame)
            del again[layer].chksum
            pairs.append((written, Ether(bytes(again))[layer].chksum))
    return pairs


def test_checksums_are_those_that_scapy_computes():
    pairs = [pair for frame in a_bit_of_everything().frames for pair in checksums(frame.octets)]

    assert len(pairs) > 100
    assert all(written == computed for written, computed in pairs)


def test_every_message_is_named_by_scapy():
    layers = {layer for f in a_bit_of_everything().frames for layer in Ether(f.octets).layers()}

    assert {ARP, DHCP, DNS, NTPHeader, ICMPv6DestUnreach, ICMP, TCP} <= layers


@pytest.mark.parametrize("suffix", [".pcap", ".pcapng"])
def test_scapy_and_dpkt_read_the_same_packets_and_times(tmp_path, suffix):
    recording = a_bit_of_everything()
    path = recording.write(tmp_path / f"all{suffix}", dropped=0)

    expected = [(round(p.time_ns / 1000), p.octets) for p in recording.captured()]
    with path.open("rb") as file:
        by_dpkt = [(round(seconds * 1e6), octets) for seconds, octets in dpkt.pcap.UniversalReader(file)]
    by_scapy = [(round(float(p.time) * 1e6), bytes(p)) for p in rdpcap(str(path))]
    assert [octets for _, octets in by_dpkt] == [octets for _, octets in expected]
    assert len(by_scapy) == len(expected)
    for (ours, _), (theirs, _), (third, _) in zip(expected, by_dpkt, by_scapy, strict=True):
        assert abs(ours - theirs) <= 1  # dpkt hands times over as floating point
        assert abs(ours - third) <= 1


def test_dnspython_reads_every_dns_message():
    messages_seen = [
        dns.message.from_wire(bytes(Ether(f.octets)[UDP].payload))
        for f in a_bit_of_everything().frames
        if UDP in Ether(f.octets) and {Ether(f.octets)[UDP].sport, Ether(f.octets)[UDP].dport} & {53, 5353}
    ]

    names = {str(question.name) for message in messages_seen for question in message.question}
    assert {"cloud.shelf-light.example.", "nobody.example.", "_http._tcp.local."} <= names
    assert dns.rcode.NXDOMAIN in {message.rcode() for message in messages_seen}


def test_routed_packets_carry_the_routers_link_address_and_a_lowered_hop_limit():
    recording = Recording(segment=LIGHTS)
    recording.http_exchange(PHONE, MOVED_LIGHT, http_request("GET", "/", "x"), http_response(200))

    first = Ether(recording.frames[0].octets)
    assert first.src == LIGHTS.router.link
    assert first.dst == MOVED_LIGHT.link
    assert first[IP].ttl == 63
    assert first[IP].src == PHONE.ipv4


def test_own_host_records_own_and_group_frames_only():
    recording = Recording(vantage="own-host", recorder=LAPTOP)
    recording.http_exchange(PHONE, LIGHT, http_request("GET", "/", "x"), http_response(200))
    assert recording.frames == []

    recording.mdns_announce(LIGHT)
    recording.dns_lookup(LAPTOP, CLOUD.name, [CLOUD.ipv4])
    assert len(recording.frames) == 4


def test_addresses_and_sequence_numbers_of_a_long_answer():
    recording = Recording()
    recording.http_exchange(
        PHONE, LIGHT, http_request("GET", "/", "x"), http_response(200, b"x" * 4000), family="ipv6"
    )

    segments = [Ether(frame.octets) for frame in recording.frames]
    answer = [s for s in segments if s[TCP].sport == 80 and len(bytes(s[TCP].payload)) > 6]
    ends = [s[TCP].seq + s[IPv6].plen - 20 for s in answer]
    assert len(answer) == 3
    assert [s[TCP].seq for s in answer[1:]] == ends[:-1]
    assert all(len(s.original) <= 1514 for s in segments)


def test_encrypted_client_hello_is_read_by_dpkt():
    pieces = with_encrypted_client_hello(transcript(CLOUD.name, version="1.3"))

    record, used = dpkt.ssl.tls_multi_factory(pieces[0].octets)
    hello = dpkt.ssl.TLSHandshake(record[0].data).data
    assert used == len(pieces[0].octets)
    assert 0xFE0D in {number for number, _ in hello.extensions}


def test_arp_probe_has_no_sender_address():
    recording = Recording()
    recording.arp(LIGHT, LIGHT)

    probe = Ether(recording.frames[0].octets)[ARP]
    assert (probe.psrc, probe.pdst, probe.op) == ("0.0.0.0", LIGHT.ipv4, 1)  # RFC 5227 1.1


def test_neighbours_are_read_by_scapy():
    recording = Recording()
    recording.router_advertisement()
    recording.neighbour(LIGHT, LIGHT)
    recording.neighbour(PHONE, LIGHT)
    advertisement, detection, question, answer = (Ether(frame.octets) for frame in recording.frames)

    assert advertisement[ICMPv6NDOptPrefixInfo].prefix == "fd00:77::"
    assert (detection[IPv6].src, detection[ICMPv6ND_NS].tgt) == ("::", LIGHT.ipv6)
    assert question.dst == "33:33:ff:00:53:21"
    assert answer[ICMPv6NDOptDstLLAddr].lladdr == LIGHT.link


def test_a_hardware_address_stands_in_the_lights_ipv6_address():
    assert in6_addrtomac(LIGHT.ipv6) == LIGHT.link


def test_announcement_names_service_host_and_address():
    recording = Recording()
    recording.mdns_announce(LIGHT, text=("fw=1",))

    message = Ether(recording.frames[0].octets)[DNS]
    assert message.qr == 1
    assert message.aa == 1
    assert message.ancount == 5


@pytest.mark.parametrize("name", STORIES)
def test_a_story_gives_the_committed_octets(name, tmp_path):
    path = STORIES[name]().write(tmp_path / f"{name}.pcapng", dropped=0, comment="An invented household")

    committed = (CAPTURES / path.name).read_bytes()
    assert path.read_bytes() == committed
    assert len(committed) < 200_000


def test_the_digests_in_the_readme_are_right():
    listed = dict(
        reversed(line.split("  "))
        for line in re.findall(r"^[0-9a-f]{64}  \S+$", (CAPTURES / "README.md").read_text(), re.MULTILINE)
    )

    present = {path.name for path in CAPTURES.iterdir() if path.is_file() and path.name != "README.md"}
    assert set(listed) == present
    for name, digest in listed.items():
        assert hashlib.sha256((CAPTURES / name).read_bytes()).hexdigest() == digest


def test_air_frames_are_what_scapy_reads():
    for is_open in (True, False):
        seen = Dot11(air.beacon("02:00:5e:00:53:23", "strip", is_open=is_open))
        assert (seen.type, seen.subtype, seen.addr1, seen.addr3) == (0, 8, air.EVERYBODY, "02:00:5e:00:53:23")
        assert seen[Dot11Elt].info == b"strip"
        assert bool(seen[Dot11Beacon].cap.privacy) is not is_open
        assert (Dot11EltRSN in seen) is not is_open
        asked = Dot11(air.association_request(PHONE.link, LIGHT.link, "strip", is_open=is_open))
        assert (asked.subtype, asked.addr2, asked[Dot11AssoReq].cap.privacy) == (0, PHONE.link, not is_open)
    [suite] = Dot11(air.beacon(LIGHT.link, "strip", is_open=False))[Dot11EltRSN].akm_suites
    assert suite.suite == 2  # PSK (IEEE 802.11-2020 table 9-151)
    tried = Dot11(air.authentication(PHONE.link, LIGHT.link))
    assert (tried[Dot11Auth].algo, tried[Dot11Auth].seqnum) == (0, 1)


def test_a_second_interface_has_its_own_link_type():
    path = CAPTURES / "air-and-wire.pcapng"
    with PcapNgReader(str(path)) as reader:
        kinds = {type(packet) for packet in reader}

    assert kinds == {Ether, Dot11}


# tcpdump refuses a file whose interfaces have different link types.
ONE_LINK_TYPE = [name for name in STORIES if name not in {"everything-speaks", "air-and-wire"}]


@pytest.mark.skipif(shutil.which("tcpdump") is None, reason="tcpdump is not installed")
@pytest.mark.parametrize("name", [*ONE_LINK_TYPE, "everything"])
def test_tcpdump_has_no_complaint(name, tmp_path):
    path = CAPTURES / f"{name}.pcapng"
    if name == "everything":
        path = a_bit_of_everything().write(tmp_path / path.name)
    run = subprocess.run(["tcpdump", "-nvvr", path], capture_output=True, text=True, check=True, timeout=60)

    # "[|http]" is how it marks a body that does not end with a line break, which no JSON body here does.
    told = run.stdout.replace("[|http]", "")
    assert [line for line in told.splitlines() if re.search(r"incorrect|bad |\[\||invalid|wrong", line)] == []
    assert told.count("\n") > 20
