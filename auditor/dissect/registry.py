"""
The table of dissectors, and what each must offer.

Dispatch is a table, not discovery: a test checks that every module of
``auditor.dissect.protocols`` stands in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from auditor.dissect.message import Message
from auditor.value_class import value_class
from auditor.wire import Cursor

Transport = Literal["tcp", "udp", "icmp", "icmpv6", "igmp", "gre", "ethernet", "ieee80211"]
"""What carries the messages: an IP protocol, frames of an ethertype, or 802.11 management frames."""


@dataclass(slots=True, kw_only=True)
class Conversation:
    """What a stream dissector may remember between two messages of one flow; dispatch makes one a flow."""

    memory: Any = None
    """The dissector's own; bounded by the dissector."""
    finished: bool = False
    """Set by the dissector when nothing further can be read (encryption began, say): it is fed no more."""
    client_finished: bool = False
    """As ``finished``, of what the client sends alone."""
    server_finished: bool = False
    is_resumed: bool = False
    """Set by dispatch for the first octets behind a loss: nothing remembered of this side holds any more."""
    next_protocol: str | None = None
    """Set by the dissector where another protocol takes the connection over behind this message (an upgrade,
    an answer to a request for encryption): the name of its row.  Dispatch reads on with it, memory empty;
    where the table has no such row, nothing further is read."""
    needed: int = 0
    """Set by a stream dissector before it raises ``TruncatedError``, where it can tell: octets of the message
    without which it need not be called again.  Dispatch makes it 0 before each message."""
    ended: bool = False
    """Set by dispatch where nothing will come behind the octets at hand (closed, lost, not captured, end of
    the recording): a parser that waits for a body hands on what it has."""


DatagramParser = Callable[[Cursor], Message]
"""Parse one datagram; raises ``DecodeError`` and nothing else."""

FlowDatagramParser = Callable[[Cursor, bool, Conversation], Message]
"""
Parse one datagram with what is remembered of its conversation.

Arguments: the cursor, whether the datagram comes from the initiator as far as
known, the conversation.  Raises ``DecodeError`` and nothing else.  A
``PassedOver`` is not handed on.  ``finished`` and ``memory`` of the
conversation are as for streams; dispatch may take the memory away when too
many conversations have one.
"""

StreamParser = Callable[[Cursor, bool, Conversation], Message]
"""
Parse the message at the cursor of one direction of a stream.

Arguments: the cursor, whether the octets come from the client (the initiator
as far as known), the conversation.  ``TruncatedError`` means that more octets
are needed; any other ``DecodeError`` ends the reading of this direction.  The
message's ``length`` tells how far to go on; it may lie beyond what is there,
where a body is passed over.  A ``PassedOver`` is not handed on.  A message of
length 0 ends the reading of this direction.
"""


@value_class
class Dissector:
    """One row of the table."""

    name: str
    """Identifier of the protocol in every output: IANA service name in lower case where there is one."""
    transport: Transport
    ports: frozenset[int]
    """Where the protocol is registered to be; only a hint that makes payload worth a look.
    Of transport ``ethernet`` its ethertypes, which decide."""
    looks_like: Callable[[bytes], bool]
    """Cheap and total: whether octets that begin so (at most 64 are handed over) are worth parsing."""
    parse_datagram: DatagramParser | None = None
    renumber: Callable[[Message, int], Message | None] | None = None
    """For datagrams that begin with an identifier of two octets: the same message with another one, so that
    what differs in nothing else need not be parsed again; None where more hangs on it in this message."""
    parse_flow_datagram: FlowDatagramParser | None = None
    """Used instead of ``parse_datagram`` where what one datagram says depends on those before; once such a
    dissector has claimed a conversation it is given every datagram, whatever it begins with."""
    parse_stream: StreamParser | None = None
    client_speaks: Callable[[bytes], bool | None] | None = None
    """For streams: whether such a beginning is what a client says (a server's answer gives False; None: both
    may); used where the opening was not recorded.  No function: the ports decide."""
    any_port: bool = True
    """Whether ``looks_like`` is specific enough to be tried on every port."""
    needs_opening: bool = False
    """For streams whose beginning says much at the opening of a connection and little in the middle of one
    (bodies of other protocols begin so as well): claimed only where the opening was recorded."""
    continues: Callable[[bytes], bool] | None = None
    """As ``looks_like``, in a conversation that the row has claimed already; no function: the same.  An
    answer may say less about itself than the request that it follows."""
    beginnings: tuple[bytes, ...] = ()
    """For streams: first octets (two are compared) by which a conversation whose opening was not recorded is
    found again on any port; without them only the ports make it worth a look."""
