"""
Oracles: scapy builds the frames; dnspython reads the question (RFC 1035 section 4.1, RFC 6762 section 5.4).
Addresses at home: RFC 1918, RFC 3927, RFC 4193, RFC 4291 section 2.5.6.
"""

import threading
import time

import dns.message
import pytest
from scapy.layers.inet import IP, TCP, UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import Ether

from auditor.addresses import parse_address, parse_link
from auditor.capture.own_questions import OWN_PACKET, recorders_that_asked, section_comment
from auditor.capture.record import CaptureComment
from auditor.errors import UsageError
from auditor.live.own_flows import OwnFlows
from auditor.live.probe import PACE_SECONDS, Pace, check_address, pointer_question

LINKS = {"dst": "00:00:5e:00:53:21", "src": "02:00:5e:10:00:60"}


def frame(ip, transport):
    return bytes(Ether(**LINKS) / ip / transport / b"x")


@pytest.mark.parametrize(
    ("local", "peer"), [("192.168.77.60", "192.168.77.21"), ("fd00:77::60", "fd00:77::21")]
)
def test_own_packets_are_known_in_both_directions_and_no_others(local, peer):
    ip = IP if "." in local else IPv6
    flows = OwnFlows()
    flows.add(6, parse_address(local), 50_000, parse_address(peer), 80)

    assert flows.comment_on(frame(ip(src=local, dst=peer), TCP(sport=50_000, dport=80))) == OWN_PACKET
    assert flows.comment_on(frame(ip(src=peer, dst=local), TCP(sport=80, dport=50_000))) == OWN_PACKET
    assert flows.comment_on(frame(ip(src=local, dst=peer), TCP(sport=50_001, dport=80))) is None
    assert flows.comment_on(frame(ip(src=local, dst=peer), UDP(sport=50_000, dport=80))) is None
    assert flows.comment_on(frame(ip(src=local, dst=local), TCP(sport=50_000, dport=80))) is None


@pytest.mark.parametrize("length", range(60))
def test_short_frames_are_nobodys(length):
    flows = OwnFlows()
    whole = frame(IP(src="192.168.77.60", dst="192.168.77.21"), TCP(sport=1, dport=80))

    assert flows.comment_on(whole[:length]) is None


@pytest.mark.parametrize(
    "text", ["192.168.1.20", "10.0.0.9", "172.31.0.1", "169.254.7.7", "fe80::1", "fd12::9"]
)
def test_addresses_at_home_may_be_asked(text):
    assert check_address(text) == parse_address(text)


@pytest.mark.parametrize(
    "text",
    ["198.51.100.7", "2001:db8::1", "127.0.0.1", "::1", "224.0.0.251", "255.255.255.255", "0.0.0.0",
     "172.32.0.1", "shelf-light.local", "192.168.1.0/24", ""],
)  # fmt: skip
def test_no_other_address_is_ever_asked(text):
    with pytest.raises(UsageError, match=r"^--ask: "):
        check_address(text)


def test_the_question_is_one_for_pointers_answered_to_the_asker():
    question = dns.message.from_wire(pointer_question("_services._dns-sd._udp.local"))

    [only] = question.question
    assert str(only.name) == "_services._dns-sd._udp.local."
    assert int(only.rdtype) == 12
    assert int(only.rdclass) == 0x8001
    assert question.answer == question.authority == question.additional == []


def test_the_pace_holds_and_ends_with_the_recording():
    stop = threading.Event()
    pace = Pace(stop)
    began = time.monotonic()
    assert pace.wait()
    assert pace.wait()
    assert time.monotonic() - began >= PACE_SECONDS
    stop.set()
    assert not pace.wait()
    assert time.monotonic() - began < 2 * PACE_SECONDS


def test_the_recorder_is_known_by_the_section_alone():
    class Facts:
        def __init__(self, *comments):
            self.comments = comments

    recorder = parse_link("02:00:5e:10:00:60")
    said = section_comment(recorder, [parse_address("192.168.77.21"), parse_address("fe80::1")])
    lines = said.splitlines()
    in_section = [CaptureComment(text=line, timestamp_ns=None, packet_number=None) for line in lines]
    on_packet = CaptureComment(text=lines[0], timestamp_ns=5, packet_number=1)

    assert len(lines) == 2
    assert recorders_that_asked([Facts(*in_section)]) == (recorder,)
    assert recorders_that_asked([Facts(on_packet)]) == ()
    assert (
        recorders_that_asked([Facts(CaptureComment(text="hello", timestamp_ns=None, packet_number=None))])
        == ()
    )
