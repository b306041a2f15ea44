"""
JSON straight in datagrams or a TCP stream, with nothing around it.

Standards: RFC 8259; JSON-RPC 2.0 for calls and answers; that lights are driven so is common practice.
Reads:     datagrams on any port; streams on any port whose opening was recorded, because the bodies of other
           protocols begin with the same octets.
Keeps:     names of keys, the name of a called method, sighted secrets; no other value.
"""

from __future__ import annotations

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_frame import end_of_text, separators_at
from auditor.dissect.syntax.json_rpc import RpcShape, begins_as_json, message_shape
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

FIRST = (0x7B, 0x5B)  # "{" and "["


@value_class
class JsonMessage(Message):
    """One text: an object, or an array of them."""

    keys: tuple[str, ...]
    secrets: tuple[SightedSecret, ...]
    rpc: RpcShape | None
    """Call or answer; None: neither ``method`` nor ``result`` nor ``error`` is among the keys."""


def looks_like(head: bytes) -> bool:
    """Whether octets begin like a JSON object and are text as far as they are shown."""
    return bool(head) and head[0] in FIRST and begins_as_json(head.rstrip(b"\0"))


def parse_datagram(cursor: Cursor) -> JsonMessage:
    """
    Parse one datagram; what stands behind the first text is read with it.

    Raises:
        DecodeError: no JSON object or array, or one without an end.
    """
    octets = cursor.take(cursor.remaining, "json_text")
    if not looks_like(octets):
        raise MalformedError("json_text", 0, "neither an object nor an array of objects")
    end_of_text(octets)
    return _message(octets, len(octets))


def parse_stream(cursor: Cursor, _from_client: bool, _conversation: Conversation) -> Message:
    """
    Parse the next text of one direction.

    Raises:
        TruncatedError: its end is not there yet.
        DecodeError: what follows is no JSON.
    """
    octets = cursor.take(cursor.remaining, "json_text")
    blank = separators_at(octets, 0)
    if blank:
        return PassedOver(length=blank)
    end = end_of_text(octets)
    return _message(octets[:end], end + separators_at(octets, end))


def _message(octets: bytes, length: int) -> JsonMessage:
    keys, secrets, rpc = message_shape(octets, "json")
    return JsonMessage(length=length, keys=keys, secrets=secrets, rpc=rpc)


DISSECTORS = (
    Dissector(
        name="json", transport="udp", ports=frozenset(), looks_like=looks_like, parse_datagram=parse_datagram
    ),
    Dissector(
        name="json",
        transport="tcp",
        ports=frozenset(),
        looks_like=looks_like,
        parse_stream=parse_stream,
        needs_opening=True,
    ),
)
