"""
Sides of a connection whose segments contradict each other: which octets the receiver took, nobody can tell.

Why: a sender sends a lost segment again as it was (RFC 9293 section 3.10.8).  Sequence numbers: section 3.4.
"""

import random

import numpy as np
import pytest

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Issue
from auditor.dissect.protocols import http, tls
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.streams import MAX_CONTRADICTING_SEGMENTS
from auditor.packets.batch import ACK, PSH
from tests.steps import calls_of
from tests.unit.dissect.packets import Connection, batch_of, dispatch

TWO = (tls.DISSECTOR, http.DISSECTOR)
HEAD = b"POST /json HTTP/1.1\r\nHost: lamp.example\r\nContent-Type: application/json\r\n"
BODY = b'Content-Length: 11\r\n\r\n{"on":true}'
ANSWER = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n"
EIGHT = MAX_CONTRADICTING_SEGMENTS


def contradict(connection, times, length=12):
    """The last octets of the client once more, other ones each time."""
    for turn in range(times):
        octets = bytes([turn + 1]) * length
        connection._packet(True, PSH | ACK, octets, sequence=connection.next[0] - length)


def read(connection, batch_size=None):
    dispatcher = Dispatcher(TWO, strict=True)
    items = dispatch(connection.packets, dispatcher, batch_size)
    problems = [item for item in items if isinstance(item, Issue)]
    return dispatcher, [item for item in items if not isinstance(item, Issue)], problems


@pytest.mark.parametrize("batch_size", [None, 1])
def test_a_few_do_not_stop_the_reading_and_the_first_octets_count(batch_size):
    connection = Connection().open().client(HEAD)
    contradict(connection, EIGHT - 1)
    connection.client(BODY).server(ANSWER)
    dispatcher, messages, problems = read(connection, batch_size)

    assert [type(item.message) for item in messages] == [HttpRequest, HttpResponse]
    assert messages[0].message.path == "/json"
    assert (problems, dispatcher.contradicting) == ([], ())


@pytest.mark.parametrize("batch_size", [None, 1, 5])
def test_many_end_the_reading_of_that_side_with_one_issue(batch_size):
    connection = Connection().open().client(HEAD)
    contradict(connection, EIGHT)
    connection.client(BODY).server(ANSWER).client(HEAD + BODY).server(ANSWER)
    dispatcher, messages, [problem] = read(connection, batch_size)

    assert problem.where == "http stream"
    assert problem.problem == (
        f"{EIGHT} segments contradict octets seen before; what this side says is not read further"
    )
    assert problem.packet.packet_number == 4 + EIGHT  # three of the handshake, the head, then these
    assert [type(item.message) for item in messages] == [HttpResponse] * 2
    assert dispatcher.contradicting == (messages[0].flow,) == (problem.flow,)


def test_losses_between_them_do_not_begin_the_count_anew():
    connection = Connection().open()
    for _ in range(EIGHT):
        connection.client(HEAD)
        contradict(connection, 1)
        connection.next[0] += 20  # lost to the recording
        connection.client(HEAD + BODY)
    dispatcher, _, problems = read(connection)

    assert sum("contradict" in problem.problem for problem in problems) == 1
    assert len(dispatcher.contradicting) == 1


def test_a_resent_segment_and_keep_alives_contradict_nothing():
    """RFC 9293 section 3.8.4: a keep-alive may carry one octet of garbage before the next one."""
    connection = Connection().open().client(HEAD)
    resent = connection.packets[-1]
    for _ in range(3 * EIGHT):
        connection.packets.append(resent)
        contradict(connection, 1, length=1)
    connection.client(BODY)
    _, messages, problems = read(connection)

    assert [type(item.message) for item in messages] == [HttpRequest]
    assert problems == []


@pytest.mark.parametrize("shift", [1, 7, -1, -7])
@pytest.mark.parametrize("same", [True, False])
def test_work_for_segments_that_all_overlap_is_bounded(shift, same):
    """Sequence numbers that hardly move under long payloads; behind a gap, so that nothing can be parsed."""
    chance = random.Random(f"{shift} {same}")
    count = 2_000
    connection = Connection().open()
    for turn in range(count):
        octets = bytes(600) if same else chance.randbytes(600)
        connection._packet(True, ACK, octets, sequence=100_000 + turn * shift)
        connection._packet(False, ACK)
    dispatcher = Dispatcher(TWO, strict=True)
    batch = batch_of(connection.packets)
    is_duplicate = np.zeros(len(batch), bool)

    assert calls_of(lambda: dispatcher.feed(batch, is_duplicate)) <= (12 if same else 5) * count
    assert len(dispatcher.contradicting) == (not same)
