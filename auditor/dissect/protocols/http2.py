"""
HTTP/2 without TLS, told by its connection preface; frames are not read.

Standard: RFC 9113 section 3.3 (prior knowledge), 3.4 (preface), 4.1 (frames); RFC 7540 section 3.2 (upgrade).
Reads:    the first octets of a TCP stream, on any port, or what follows an HTTP/1 upgrade to ``h2c``.
Keeps:    that it is HTTP/2 in the clear.
"""

from __future__ import annotations

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PREFACE = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"  # RFC 9113 3.4
FRAME_HEADER_OCTETS = 9
SETTINGS = 4  # 6.5


@value_class
class Http2Preface(Message):
    """A client opens HTTP/2 in the clear; requests behind it are compressed (RFC 7541) and unread."""


def looks_like(head: bytes) -> bool:
    """Whether a stream begins with the preface."""
    return head.startswith(b"PR") and head.startswith(PREFACE[: len(head)]) and len(head) >= len(b"PRI * ")


def client_speaks(_head: bytes) -> bool:
    """Only clients send the preface."""
    return True


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the preface of a client; a server's first frame is passed over.

    Raises:
        TruncatedError: the preface is not whole yet.
        DecodeError: neither.
    """
    if not from_client:
        size, kind = cursor.uint(3, "frame_length"), cursor.uint(1, "frame_type")
        if kind != SETTINGS:  # 3.4: the server's preface is a SETTINGS frame
            raise MalformedError("frame_type", 3, f"{kind} is not SETTINGS")
        conversation.server_finished = True
        return PassedOver(length=FRAME_HEADER_OCTETS + size)
    if cursor.take(len(PREFACE), "connection_preface") != PREFACE:
        raise MalformedError("connection_preface", 0, "other octets than those of RFC 9113 3.4")
    conversation.finished = True
    return Http2Preface(length=len(PREFACE))


DISSECTOR = Dissector(
    name="http2",
    transport="tcp",
    ports=frozenset(),
    looks_like=looks_like,
    parse_stream=parse_stream,
    client_speaks=client_speaks,
    beginnings=(PREFACE,),
)
