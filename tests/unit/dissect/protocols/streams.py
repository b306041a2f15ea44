"""Reading the messages of a stream one after the other, as dispatch does."""

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import PassedOver
from auditor.dissect.registry import Conversation
from auditor.dissect.table import DISSECTORS
from auditor.errors import DecodeError
from auditor.wire import Cursor
from tests.unit.dissect.packets import Connection, dispatch


def read(parse, octets, from_client=True, conversation=None, ended=False):
    """All messages of one direction but those that are passed over."""
    conversation = conversation or Conversation()
    conversation.ended = ended
    found, position = [], 0
    while position < len(octets):
        message = parse(Cursor(octets[position:]), from_client, conversation)
        assert message.length > 0
        position += message.length
        if not isinstance(message, PassedOver):
            found.append(message)
        if conversation.finished or conversation.next_protocol:
            break
    return found


def assert_messages_or_error(parse, octets):
    """What holds for every dissector of streams, any octets, either side, whether or not more will come."""
    for from_client in (True, False):
        for ended in (True, False):
            outcome = None
            try:
                read(parse, octets, from_client, ended=ended)
            except DecodeError as error:
                outcome = error
            if outcome is not None:
                assert outcome.field
                assert 0 <= outcome.offset <= len(octets)


def talk(*said, port=7_000, is_open=True, parts=1460):
    """Envelopes and issues of a connection to a port; each of ``said`` is (by_client, octets)."""
    connection = Connection(server_port=port)
    if is_open:
        connection.open()
    for by_client, octets in said:
        connection.say(by_client, octets, parts)
    if is_open:
        connection.close()
    return dispatch(connection.packets, Dispatcher(DISSECTORS, strict=True))
