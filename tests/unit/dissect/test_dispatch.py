"""
Sequence numbers and the order of segments: RFC 9293 sections 3.4 and 3.10.7.4.  Requests and hellos come from
the vectors of RFC 7617 and RFC 8448, and from handshakes of the standard library's ssl module.
"""

import random
import ssl

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.addresses import format_address
from auditor.dissect import conversations, outcome
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope, Issue, Message
from auditor.dissect.protocols import http, tls
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.tls import Certificate, ClientHello, EncryptedData, ServerHello
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError, TruncatedError
from auditor.packets.batch import FIRST_FRAGMENT, PROTOCOL_ICMPV6, PROTOCOL_IGMP, SYN
from auditor.value_class import value_class
from tests.unit.dissect.packets import LAMP, PHONE, Connection, Packet, batch_of, datagram, dispatch
from tests.unit.dissect.tls_peers import handshake
from tests.unit.dissect.vectors import vector

TWO = (tls.DISSECTOR, http.DISSECTOR)
GET = b"GET /json HTTP/1.1\r\nHost: lamp.example\r\n\r\n"
POST = b'POST /json HTTP/1.1\r\nContent-Type: application/json\r\nContent-Length: 11\r\n\r\n{"on":true}'
ANSWER = b'HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 11\r\n\r\n{"on":true}'
GROUP = "239.255.0.1"


@value_class
class Word(Message):
    text: bytes


def parse_word(cursor):
    """A datagram protocol of the tests: W, then anything but an exclamation mark."""
    octets = cursor.take(cursor.remaining, "word")
    if octets[:1] != b"W" or octets.endswith(b"!"):
        raise MalformedError("word", 0, "no word")
    return Word(length=len(octets), text=octets)


def word(**how):
    defaults = {
        "name": "word",
        "transport": "udp",
        "ports": frozenset({7777}),
        "looks_like": lambda head: head[:1] == b"W",
        "parse_datagram": parse_word,
    }
    return Dissector(**{**defaults, **how})


def run(packets, batch_size=None, dissectors=TWO):
    return dispatch(packets, Dispatcher(dissectors, strict=True), batch_size)


def messages(items):
    assert [item for item in items if isinstance(item, Issue)] == []
    return [item.message for item in items]


def exchange(count=1, **how):
    connection = Connection(**how).open()
    for _ in range(count):
        connection.client(GET).server(ANSWER)
    return connection


@pytest.mark.parametrize("batch_size", [None, 1, 2, 5])
@pytest.mark.parametrize("port", [80, 443, 8883, 12_345])
def test_octets_decide_on_any_port(port, batch_size):
    items = run(exchange(3, server_port=port).close().packets, batch_size)

    assert [type(m) for m in messages(items)] == [HttpRequest, HttpResponse] * 3
    for item in items:
        assert item.protocol == "http"
        assert item.from_initiator == isinstance(item.message, HttpRequest)
        assert format_address(item.flow.initiator.address) == PHONE
        assert (item.flow.initiator.port, item.flow.responder.port) == (49_152, port)
        assert item.flow.initiator.link_address == b"\x02\0\0\0\0\x1e"
        assert (item.flow.ethertype, item.flow.protocol, item.flow.vlan_id) == (0x0800, 6, 0)
        assert item.timestamp_ns == item.packet.packet_number * 1_000_000
        assert item.link_type == 1
    assert [item.packet.packet_number for item in items] == [4, 5, 6, 7, 8, 9]


def test_flow_keys_are_one_object():
    items = run(exchange(3).packets)

    assert len({id(item.flow) for item in items}) == 1


def test_ipv6():
    items = run(exchange(client="2001:db8::30", server="2001:db8::20").packets)

    assert format_address(items[0].flow.initiator.address) == "2001:db8::30"
    assert items[0].flow.ethertype == 0x86DD


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
@pytest.mark.parametrize("size", [1, 100, 1460])
@pytest.mark.parametrize("batch_size", [None, 3])
def test_a_real_handshake(version, size, batch_size):
    connection = Connection(server_port=80).open()
    for by_client, octets in handshake(version)[0]:
        connection.say(by_client, octets, size)
    items = run(connection.close().packets, batch_size)

    kinds = {type(m) for m in messages(items)}
    assert {ClientHello, ServerHello} <= kinds
    assert (Certificate in kinds) == (version is ssl.TLSVersion.TLSv1_2)
    assert {item.protocol for item in items} == {"tls"}


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 40), st.integers(0, 2**32 - 1), st.randoms())
def test_splits_and_order_do_not_matter(client_size, server_size, batch_size, isn, chance):
    connection = Connection(isn=(isn, isn ^ 0xFFFF_FFFF)).open()
    connection.client(POST + GET, client_size).server(ANSWER + ANSWER, server_size)
    opening, rest = connection.packets[:3], connection.packets[3:]
    # Only a little out of order: what is overtaken by an acknowledgement counts as lost.
    for i in range(0, len(rest) - 4, 4):
        part = [packet for packet in rest[i : i + 4] if packet.source == rest[i].source]
        if len(part) == 4:
            chance.shuffle(part)
            rest[i : i + 4] = part
    items = run(opening + rest, batch_size)
    whole = run(Connection().open().client(POST + GET).server(ANSWER + ANSWER).packets)

    assert [repr(m) for m in messages(items)] == [repr(m) for m in messages(whole)]
    assert len(items) == 4


def test_octet_by_octet_equals_all_at_once():
    whole = Connection().open().client(GET + POST).server(ANSWER + ANSWER)
    single = Connection().open().client(GET + POST, 1).server(ANSWER + ANSWER, 1)

    assert [repr(m) for m in messages(run(single.packets, 7))] == [
        repr(m) for m in messages(run(whole.packets))
    ]


def test_resent_and_overlapping_segments_are_read_once():
    connection = exchange(2)
    again = [packet for packet in connection.packets if packet.payload]
    items = run(connection.packets[:5] + again[:2] + connection.packets[5:] + again)

    assert len(messages(items)) == 4


def test_duplicates_are_left_out():
    packets = run_packets = exchange().packets
    doubled = [packet for packet in packets for _ in range(2)]
    dispatcher = Dispatcher(TWO, strict=True)
    is_duplicate = np.arange(len(doubled)) % 2 == 1
    items = dispatcher.feed(batch_of(doubled), is_duplicate)

    assert len(items) == len(messages(run(run_packets))) == 2


@pytest.mark.parametrize("begin", [3, 4])
@pytest.mark.parametrize("port", [80, 2])
def test_what_began_before_the_recording_is_oriented_by_who_speaks(begin, port):
    items = run(exchange(2, client_port=9, server_port=port).packets[begin:])

    assert {item.flow.initiator.port for item in items} == {9}
    assert [item.from_initiator for item in items] == [isinstance(m, HttpRequest) for m in messages(items)]
    assert len(items) == 7 - begin


def test_records_without_a_hello_are_oriented_by_ports():
    record = vector("tls/tls13-encrypted-flight-record")
    connection = Connection(server_port=8883).server(record).client(record).server(record)
    items = run(connection.packets, 1)

    assert [type(m) for m in messages(items)] == [EncryptedData, EncryptedData]
    assert [item.from_initiator for item in items] == [False, True]
    assert items[0].flow.responder.port == 8883


def test_a_syn_ack_alone_tells_the_initiator():
    items = run(exchange().packets[1:])

    assert [item.from_initiator for item in items] == [True, False]


@pytest.mark.parametrize("batch_size", [None, 1])
def test_after_a_loss_reading_goes_on_at_the_next_beginning(batch_size):
    connection = Connection().open()
    connection.client(POST, 40).server(ANSWER).client(GET).server(ANSWER)
    del connection.packets[4]  # the second part of POST
    items = run(connection.packets, batch_size)
    read = [item.message for item in items if isinstance(item, Envelope)]
    (problem, *rest) = [item for item in items if isinstance(item, Issue)]

    assert [m.method for m in read if isinstance(m, HttpRequest)] == ["GET"]
    assert sum(isinstance(m, HttpResponse) for m in read) == 2
    assert problem.flow is not None
    assert problem.packet is not None
    assert any("not in the recording" in issue.problem for issue in (problem, *rest))


def test_a_lost_body_still_gives_its_request():
    connection = Connection().open().client(POST, len(POST) - 11)
    del connection.packets[-1]
    connection.server(ANSWER).client(GET).server(ANSWER)
    items = [item.message for item in run(connection.packets) if isinstance(item, Envelope)]

    assert [m.method for m in items if isinstance(m, HttpRequest)] == ["POST", "GET"]
    assert [m.body_captured for m in items if isinstance(m, HttpRequest)] == [False, True]


def test_what_the_snap_length_cut_off_does_not_stop_the_reading():
    connection = Connection().open()
    connection.client(POST, missing=5).server(ANSWER, missing=11).client(GET).server(ANSWER)
    found = messages(run(connection.packets))

    assert [type(m) for m in found] == [HttpRequest, HttpResponse] * 2
    assert [m.body_captured for m in found] == [False, False, True, True]


def test_a_cut_head_is_an_issue_and_the_next_one_is_read():
    connection = Connection().open().client(GET, missing=10).server(ANSWER).client(GET)
    items = run(connection.packets)

    assert [type(item).__name__ for item in items] == ["Issue", "Envelope", "Envelope"]
    assert items[0].where == "http request_head"


@pytest.mark.parametrize("batch_size", [None, 20])
def test_packets_of_a_long_body_are_not_even_chosen(batch_size):
    head = b"HTTP/1.1 200 OK\r\nContent-Length: 3000000\r\n\r\n"
    connection = Connection().open().client(GET).server(head + bytes(3_000_000)).client(GET).server(ANSWER)
    dispatcher = Dispatcher(TWO, strict=True)
    looked_at = []
    choose = dispatcher._selector.choose
    dispatcher._selector.choose = lambda *a: looked_at.append(choose(*a)) or looked_at[-1]
    items = dispatch(connection.packets, dispatcher, batch_size)

    assert [type(m) for m in messages(items)] == [HttpRequest, HttpResponse] * 2
    if batch_size:
        assert sum(len(chosen.index) for chosen in looked_at) < 60


def test_a_body_beyond_the_sequence_space_is_passed_over():  # RFC 9293 3.4: numbers wrap
    length = 5 * 2**30
    connection = Connection().open().client(GET)
    connection.server(b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % length)
    for _ in range(10):
        connection.server(b"HTTP/1.1 404 No")  # inside the body
        connection.next[1] += length // 10 - 15
    connection.client(GET).server(ANSWER)
    found = messages(run(connection.packets, 1))

    assert [m.status for m in found if isinstance(m, HttpResponse)] == [200, 200]


def test_nothing_is_looked_at_behind_the_beginning_of_encryption():
    said, _ = handshake()
    connection = Connection(server_port=443).open()
    for by_client, octets in said:
        connection.say(by_client, octets)
    dispatcher = Dispatcher(TWO, strict=True)
    dispatcher.feed(batch_of(connection.packets), np.zeros(len(connection.packets), np.bool_))
    more = Connection(server_port=443)
    more.next = connection.next
    for _ in range(50):
        more.server(vector("tls/tls13-encrypted-flight-record")).client(b"\x17\x03\x03\0\x20" + bytes(32))
    chosen = dispatcher._selector.choose(batch_of(more.packets), np.zeros(100, np.bool_))

    assert chosen.index.tolist() == []


def test_a_body_that_ends_with_the_connection():
    connection = (
        Connection().open().client(GET).server(b"HTTP/1.0 200 OK\r\nContent-Type: text/html\r\n\r\n<title>")
    )
    connection.server(b"Shelf</title>").close(by_client=False)
    found = messages(run(connection.packets))

    assert (found[1].title, found[1].body_captured) == ("Shelf", True)


@pytest.mark.parametrize("end", ["reset", "nothing"])
def test_what_waits_is_handed_on_at_the_end(end):
    connection = Connection().open().client(POST[:-3])
    if end == "reset":
        connection.reset()
    (message,) = messages(run(connection.packets))

    assert (message.method, message.body_captured) == ("POST", False)


def test_the_same_ports_again_are_another_connection():
    first = exchange(isn=(1000, 2000)).client(POST[:20])
    second = exchange(isn=(900_000, 2**31))
    items = run(first.packets + second.packets)

    assert sum(isinstance(item, Envelope) for item in items) == 4
    assert [item.where for item in items if isinstance(item, Issue)] == ["http request_head"]


def test_unknown_protocols_are_counted_and_left_alone():
    connection = (
        Connection(server_port=22).open().server(b"SSH-2.0-example_1.0\r\n").client(b"SSH-2.0-other_1.0\r\n")
    )
    for _ in range(20):
        connection.client(bytes(100)).server(bytes(100))
    dispatcher = Dispatcher(TWO, strict=True)
    assert dispatch(connection.packets, dispatcher, 4) == []

    ((key, count),) = dispatcher.unclaimed.items()
    assert (key.initiator.port, key.responder.port) == (49_152, 22)
    assert 2 <= count <= 42


def test_a_server_that_speaks_first_does_not_hide_what_follows():
    connection = (
        Connection(server_port=2323).open().server(b"welcome to the lamp\r\n").client(GET).server(ANSWER)
    )

    assert [type(m) for m in messages(run(connection.packets, 1))] == [HttpRequest, HttpResponse]


# -- datagrams


def test_datagrams_are_read_by_port_and_by_octets():
    packets = [
        datagram(PHONE, LAMP, 40_000, 7777, b"Wone"),
        datagram(LAMP, PHONE, 7777, 40_000, b"Wtwo"),
        datagram(LAMP, GROUP, 5000, 5000, b"Wthree"),
        datagram(LAMP, GROUP, 5000, 5000, b"Wfour"),
        datagram(LAMP, PHONE, 5000, 5001, b"no"),
    ]
    for batch_size in (None, 1):
        dispatcher = Dispatcher((word(),), strict=True)
        items = dispatch(packets, dispatcher, batch_size)
        assert [m.text for m in messages(items)] == [b"Wone", b"Wtwo", b"Wthree", b"Wfour"]
        assert [item.from_initiator for item in items] == [True, False, True, True]
        assert [format_address(item.flow.responder.address) for item in items] == [LAMP, LAMP, GROUP, GROUP]
        assert [key.responder.port for key in dispatcher.unclaimed] == [5001]


def test_a_dissector_bound_to_its_ports_is_not_tried_elsewhere():
    packets = [datagram(PHONE, LAMP, 1, 7777, b"Wa"), datagram(PHONE, LAMP, 1, 2, b"Wb")]

    assert [m.text for m in messages(run(packets, None, (word(any_port=False),)))] == [b"Wa"]


def test_equal_datagrams_are_parsed_once():
    calls = []
    row = word(parse_datagram=lambda cursor: calls.append(1) or parse_word(cursor))
    packets = [datagram(PHONE, GROUP, 7777, 7777, b"Wsame")] * 50

    assert len(messages(run(packets, 7, (row,)))) == 50
    assert len(calls) == 1


def test_a_broken_datagram_is_an_issue_and_the_next_one_is_read():
    packets = [
        datagram(PHONE, LAMP, 1, 7777, b"Wbroken!"),
        datagram(PHONE, LAMP, 1, 7777, b"Wcut!", missing=7),
        datagram(PHONE, LAMP, 1, 7777, b"Wpart!", marks=FIRST_FRAGMENT),
        datagram(PHONE, LAMP, 1, 7777, b"Wfine"),
    ]
    *issues, last = run(packets, None, (word(),))

    assert last.message.text == b"Wfine"
    assert {issue.where for issue in issues} == {"word word"}
    assert ["captured" in issue.problem for issue in issues] == [False, True, False]
    assert ["fragments" in issue.problem for issue in issues] == [False, False, True]
    assert [issue.packet.packet_number for issue in issues] == [1, 2, 3]


def test_other_transports_are_chosen_by_protocol():
    member = word(name="igmp", transport="igmp", ports=frozenset())
    listener = word(name="mld", transport="icmpv6", ports=frozenset())
    packets = [
        Packet(LAMP, GROUP, 0x16, 0, b"Wgroup", PROTOCOL_IGMP),
        Packet("2001:db8::1", "ff02::16", 143, 0, b"Wlisten", PROTOCOL_ICMPV6),
        Packet("2001:db8::1", "ff02::1", 135, 0, b"neighbour", PROTOCOL_ICMPV6),
    ]
    items = run(packets, None, (member, listener))

    assert [item.protocol for item in items] == ["igmp", "mld"]
    assert [item.flow.initiator.port for item in items] == [0, 143]


# -- faults and floods


@pytest.mark.parametrize("transport", ["udp", "tcp"])
def test_a_fault_of_ours_is_raised_or_named(transport):
    def fault(*_):
        raise ZeroDivisionError("Wsecret")

    if transport == "udp":
        row, packets = word(parse_datagram=fault), [datagram(PHONE, LAMP, 1, 7777, b"Wsecret")]
    else:
        row = word(transport="tcp", parse_datagram=None, parse_stream=fault)
        packets = Connection(server_port=7777).open().client(b"Wsecret and some more").packets
    with pytest.raises(ZeroDivisionError):
        run(packets, None, (row,))

    items = dispatch(packets, Dispatcher((row,)))
    assert [item.where for item in items] == ["internal fault in word"]
    assert "secret" not in items[0].problem


def test_messages_of_one_flow_are_bounded_and_said_so(monkeypatch):
    monkeypatch.setattr(outcome, "MAX_MESSAGES_PER_FLOW", 5)
    items = run([datagram(PHONE, LAMP, 1, 7777, b"W%d" % i) for i in range(50)], 3, (word(),))
    assert len(items) == 6
    assert "minimum" in items[5].problem

    items = run(exchange(20).packets, 3)
    assert len(items) == 6
    assert "minimum" in items[5].problem


def test_issues_of_one_flow_are_bounded():
    connection = Connection().open()
    for _ in range(100):
        connection.client(b"GET / HTTP/1.1\r\nContent-Length: x\r\n\r\n")

    assert len(run(connection.packets, 3)) == outcome.MAX_ISSUES_PER_FLOW


def test_conversations_are_bounded_and_said_so_once(monkeypatch):
    monkeypatch.setattr(conversations, "MAX_CONVERSATIONS", 10)
    packets = [Packet(PHONE, LAMP, port, 80, flags=SYN, sequence=port) for port in range(1, 200)]
    dispatcher = Dispatcher(TWO, strict=True)
    items = dispatch(packets + exchange().packets, dispatcher, 50)

    assert [type(item).__name__ for item in items] == ["Issue", "Envelope", "Envelope"]
    assert len(dispatcher._talks) <= 10
    for interest in (dispatcher._selector.wanted, dispatcher._selector.finished):
        assert interest.column.sum() == 0


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_packets_give_envelopes_and_issues_and_no_trace_is_left(data):
    pieces = st.sampled_from(
        [GET, POST[:60], ANSWER, ANSWER[:40], vector("tls/tls13-clienthello-record"), b"", b"x"]
    )
    packets = [
        Packet(
            *data.draw(st.sampled_from([(PHONE, LAMP, 9, 80), (LAMP, PHONE, 80, 9), (PHONE, PHONE, 7, 7)])),
            payload=data.draw(pieces | st.binary(max_size=30)),
            protocol=data.draw(st.sampled_from([6, 6, 6, 17])),
            flags=data.draw(st.sampled_from([0x10, 0x18, 0x02, 0x12, 0x11, 0x04])),
            sequence=data.draw(st.integers(0, 200) | st.integers(0, 2**32 - 1)),
            acknowledgement=data.draw(st.integers(0, 200)),
            missing=data.draw(st.sampled_from([0, 0, 9])),
        )
        for _ in range(data.draw(st.integers(1, 25)))
    ]
    dispatcher = Dispatcher((*TWO, word()), strict=True)
    items = dispatch(packets, dispatcher, data.draw(st.integers(1, 9)))

    assert all(isinstance(item, Envelope | Issue) for item in items)
    assert len(dispatcher._talks) == 0
    assert dispatcher._streams._held_octets == 0
    assert dispatcher._selector.passing == {}
    for interest in (
        dispatcher._selector.wanted,
        dispatcher._selector.finished,
        dispatcher._selector._passing_slots,
    ):
        assert interest.column.sum() == 0


def test_random_streams_are_claimed_by_nobody():
    chance = random.Random(7)
    connection = Connection(server_port=4000).open()
    for _ in range(300):
        connection.client(chance.randbytes(200)).server(chance.randbytes(200))

    assert run(connection.packets, 50) == []


# -- the whole table


@pytest.mark.parametrize("port", [1883, 8883, 53])
def test_a_session_in_clear_is_read_on_the_port_of_an_encrypted_one(port):
    connection = Connection(server_port=port).open()
    connection.client(vector("mqtt/mqtt311-connect-anonymous")).server(b"\x20\x02\x00\x00")
    items = dispatch(connection.packets, Dispatcher(strict=True))

    assert [item.protocol for item in items] == ["mqtt", "mqtt"]
    assert len(messages(items)) == 2


@pytest.mark.parametrize("port", [53, 80, 853, 1883])
def test_a_hello_is_tls_on_the_port_of_another_protocol(port):
    connection = Connection(server_port=port).open().client(vector("tls/tls13-clienthello-record"))
    items = dispatch(connection.packets, Dispatcher(strict=True))

    assert [(item.protocol, type(item.message)) for item in items] == [("tls", ClientHello)]


def test_datagrams_of_the_table_are_read():
    packets = [
        datagram(PHONE, "192.0.2.1", 40_000, 53, vector("dns/dns-query-www.example.com-A")),
        datagram(PHONE, "203.0.113.9", 40_001, 123, vector("ntp/ntp-client")),
        datagram(PHONE, GROUP, 5568, 5568, vector("e131/e131-data-lengths-right")),
    ]

    assert len(messages(dispatch(packets, Dispatcher(strict=True)))) == 3


@value_class
class Line(Message):
    text: bytes


def parse_line(cursor, _from_client, conversation):
    """A stream protocol of the tests: lines; ``to NAME`` gives the stream to the row of that name."""
    octets = cursor.take(cursor.remaining, "line")
    end = octets.find(b"\n")
    if end < 0:
        raise TruncatedError("line", len(octets), "no end")
    if octets.startswith(b"to "):
        conversation.next_protocol = octets[3:end].decode()
    return Line(length=end + 1, text=octets[:end])


def line(**how):
    defaults = {
        "name": "line",
        "transport": "tcp",
        "ports": frozenset(),
        "looks_like": lambda head: head[:5] == b"line ",
        "parse_stream": parse_line,
        "needs_opening": True,
    }
    return Dissector(**{**defaults, **how})


@pytest.mark.parametrize("batch_size", [None, 1, 3])
@pytest.mark.parametrize("in_one_segment", [True, False])
def test_a_stream_is_handed_over(batch_size, in_one_segment):
    connection = Connection(server_port=7_000).open()
    opening = [b"line 1\n", b"to http\n", GET]
    for octets in [b"".join(opening)] if in_one_segment else opening:
        connection.client(octets)
    items = run(connection.server(ANSWER).close().packets, batch_size, (line(), http.DISSECTOR))

    assert [item.protocol for item in items] == ["line", "line", "http", "http"]
    assert [type(item.message) for item in items] == [Line, Line, HttpRequest, HttpResponse]


def test_a_stream_that_nobody_takes_over_is_read_no_further():
    connection = Connection(server_port=7_000).open().client(b"line 1\nto nobody\nline 3\n").server(ANSWER)
    items = run(connection.close().packets, None, (line(), http.DISSECTOR))

    assert [item.message.text for item in items] == [b"line 1", b"to nobody"]


@pytest.mark.parametrize("batch_size", [None, 1])
def test_a_row_that_needs_an_opening_claims_nothing_else(batch_size):
    def said(connection):
        return connection.client(b"line 1\n").server(b"line 2\n").packets

    opened, standing = Connection(server_port=7_000).open(), Connection(server_port=7_000)

    assert len(run(said(opened), batch_size, (line(),))) == 2
    assert run(said(standing), batch_size, (line(),)) == []
    assert (
        len(
            run(
                said(Connection(server_port=7_000)),
                batch_size,
                (line(needs_opening=False, beginnings=(b"li",)),),
            )
        )
        == 2
    )


def test_what_follows_a_claimed_datagram_may_say_less():
    packets = [
        datagram(PHONE, LAMP, 50_000, 9_000, b"W one"),
        datagram(LAMP, PHONE, 9_000, 50_000, b"WW"),
        datagram(LAMP, PHONE, 9_000, 50_001, b"WW"),
    ]
    row = word(looks_like=lambda head: head[:2] == b"W ", continues=lambda head: head[:1] == b"W")

    assert [item.message.text for item in run(packets, None, (row,))] == [b"W one", b"WW"]


def test_a_message_of_known_size_is_not_parsed_once_a_segment(monkeypatch):
    """A body of a hundred segments: its head is looked at when it comes, and when all is there."""
    calls = []
    parse = http.parse_head
    monkeypatch.setattr(http, "parse_head", lambda *given: calls.append(given) or parse(*given))
    body = b'{"on":true,"text":"' + b"x" * 10_000 + b'"}'
    answer = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(body)
    connection = Connection().open().client(GET)
    for start in range(0, len(answer + body), 100):
        connection.server((answer + body)[start : start + 100])

    request, response = messages(run(connection.client(GET).server(ANSWER).packets))[:2]

    assert (type(request), response.body_keys, response.body_captured) == (HttpRequest, ("on", "text"), True)
    assert len(calls) <= 6
