"""
Oracles: scapy reads the packets that the log becomes (RFC 791, 8200, 768); base64 of the standard library (RFC 4648).
Hostile: every line may be anything.
"""

import io
import json

from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6

from auditor.addresses import format_address, parse_address
from auditor.capture.announcements import (
    MAX_LINE_OCTETS,
    MAX_PAYLOAD_OCTETS,
    Announcement,
    build_packet,
    parse_line,
    write_head,
    write_line,
)
from tests.unit.capture.octets_of_captures import read_all

four = st.ip_addresses(v=4).map(str).map(parse_address)
six = (
    st.ip_addresses(v=6)
    .map(str)
    .map(parse_address)
    .filter(lambda address: address[:12] != bytes(10) + b"\xff\xff")
)
pairs = st.one_of(st.tuples(four, four), st.tuples(six, six))
announcements = st.builds(
    lambda at, ends, ports, payload: Announcement(at, ends[0], ports[0], ends[1], ports[1], payload),
    st.integers(0, 4_000_000_000 * 10**9), pairs, st.tuples(st.integers(0, 65_535), st.integers(0, 65_535)),
    st.binary(max_size=200),
)  # fmt: skip


@given(announcements)
def test_a_line_comes_back(one):
    assert parse_line(write_line(one)) == one


@given(announcements)
def test_the_packet_is_what_it_says(one):
    octets = build_packet(one)
    read = (IP if octets[0] >> 4 == 4 else IPv6)(octets)

    assert (parse_address(read.src), parse_address(read.dst)) == (one.source, one.destination)
    assert (read[UDP].sport, read[UDP].dport) == (one.source_port, one.destination_port)
    assert bytes(read[UDP].payload) == one.payload
    assert read[UDP].len == 8 + len(one.payload)


@settings(max_examples=30)
@given(
    st.lists(
        st.one_of(announcements, st.binary(max_size=60).map(lambda octets: octets.replace(b"\n", b" "))),
        max_size=12,
    )
)
def test_good_lines_are_read_whatever_stands_between(lines):
    octets = write_head("eth0") + b"".join(
        write_line(line) if isinstance(line, Announcement) else line + b"\n" for line in lines
    )
    rows, facts = read_all(octets)

    good = [line for line in lines if isinstance(line, Announcement)]
    assert [row[0] for row in rows] == [build_packet(line) for line in good]
    bad = [line for line in lines if not isinstance(line, Announcement) and line.strip()]
    assert sum(issue.count for issue in facts.issues if issue.kind == "damaged") == len(bad)


def test_the_longest_datagram_fits_and_a_longer_line_is_passed_over():
    address = parse_address("192.168.77.21")
    longest = Announcement(
        10**18, address, 5353, parse_address("224.0.0.251"), 5353, bytes(MAX_PAYLOAD_OCTETS)
    )
    line = write_line(longest)
    octets = write_head("eth0") + b"x" * (5 * MAX_LINE_OCTETS) + b"\n" + line + line[:-1]
    rows, facts = read_all(octets)

    assert len(line) <= MAX_LINE_OCTETS
    assert [row[0] for row in rows] == [build_packet(longest)] * 2
    assert [issue.count for issue in facts.issues] == [1]
    assert (facts.format, facts.interfaces[0].link_type, facts.interfaces[0].name) == (
        "announcements",
        101,
        "eth0",
    )


def test_values_that_are_no_announcement_are_refused():
    good = json.loads(
        write_line(Announcement(0, parse_address("10.0.0.1"), 1, parse_address("10.0.0.2"), 2, b"x"))
    )
    wrong = [
        {**good, "from": "::1"}, {**good, "from_port": 65_536}, {**good, "from_port": True}, {**good, "to_port": "1"},
        {**good, "payload": "*"}, {**good, "at": "yesterday"}, {**good, "more": 1}, {"at": 1}, [], 1, None,
        {**good, "at": "1960-01-01T00:00:00Z"}, {**good, "from": 7},
    ]  # fmt: skip
    octets = write_head("eth0") + b"".join(json.dumps(line).encode() + b"\n" for line in wrong)
    octets += b'{"a":' * 30_000 + b"\n"
    rows, facts = read_all(octets)

    assert rows == []
    assert sum(issue.count for issue in facts.issues) == len(wrong) + 1


def test_a_head_that_is_cut_is_no_fault_of_ours():
    for octets in (
        b'{"announcements": 1',
        b'{"announcements": 1\n',
        b'{"announcements": 1, "interface": 5}\n',
    ):
        rows, _ = read_all(octets)
        assert rows == []


def test_addresses_are_written_as_the_standards_have_them():
    one = Announcement(0, parse_address("2001:db8::1"), 1, parse_address("ff02::fb"), 2, b"")
    said = json.loads(write_line(one))

    assert (said["from"], said["to"]) == ("2001:db8::1", "ff02::fb")  # RFC 5952
    assert said["at"] == "1970-01-01T00:00:00.000000000Z"  # RFC 3339
    assert format_address(parse_line(io.BytesIO(write_line(one)).read()).source) == "2001:db8::1"
