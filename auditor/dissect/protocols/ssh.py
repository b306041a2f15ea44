"""
The identification string of SSH, sent in the clear by both sides before encryption.

Standard: RFC 4253 section 4.2.
Reads:    the first line of each direction of a TCP stream, on any port.
Keeps:    protocol and software version; the comment behind them is not kept.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.printable import printable
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({22})  # IANA service name: ssh
MARK = b"SSH-"
MAX_LINE_OCTETS = 255  # section 4.2, CR LF included
IDENTIFICATION = re.compile(rb"SSH-([0-9]{1,2}\.[0-9]{1,2})-([^\s-][^\s]*)?(?: [^\r\n]*)?\Z")


@value_class
class SshIdentification(Message):
    """Who speaks SSH here; what follows is encrypted."""

    from_client: bool
    protocol_version: str
    """``2.0``; ``1.99`` offers the version before it as well (section 5.1)."""
    software: str | None


def looks_like(head: bytes) -> bool:
    """Whether a stream begins with an identification string."""
    return head.startswith(MARK) and head[4:5] in (b"1", b"2")


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the line; nothing further of its direction is read.

    Raises:
        TruncatedError: the line does not end yet.
        DecodeError: no identification string, or a longer one than allowed.
    """
    octets = cursor.take(min(cursor.remaining, MAX_LINE_OCTETS + 1), "identification")
    end = octets.find(b"\n")
    if end < 0:
        if len(octets) > MAX_LINE_OCTETS:
            raise LimitError("identification", 0, f"no end within {MAX_LINE_OCTETS} octets")
        raise TruncatedError("identification", len(octets), "the line does not end")
    if not octets.startswith(MARK):
        if from_client:
            raise MalformedError("identification", 0, "does not begin with SSH-")
        return PassedOver(length=end + 1)  # a server may send other lines first
    found = IDENTIFICATION.match(octets[:end].rstrip(b"\r"))
    if found is None:
        raise MalformedError("identification", 0, "not a version and a name")
    if from_client:
        conversation.client_finished = True
    else:
        conversation.server_finished = True
    return SshIdentification(
        length=end + 1,
        from_client=from_client,
        protocol_version=found[1].decode("ascii"),
        software=printable(found[2]) if found[2] else None,
    )


DISSECTOR = Dissector(
    name="ssh",
    transport="tcp",
    ports=PORTS,
    looks_like=looks_like,
    parse_stream=parse_stream,
    beginnings=(MARK,),
)
