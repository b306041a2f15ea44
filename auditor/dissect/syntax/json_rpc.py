"""
The shape of one JSON message of a conversation, whatever carries it.

Standards: RFC 8259 (JSON), JSON-RPC 2.0 (4 March 2010) sections 4 and 5 (request and response objects).
Keeps:     names of keys and the name of the method; no other value.
"""

from __future__ import annotations

import re

from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_shape import json_keys
from auditor.dissect.syntax.secrets import is_identifier, looks_random
from auditor.value_class import value_class

MAX_MESSAGE_READ = 16_384
"""Octets of a message whose names are asked for: a state of a controller has 2 to 12 KiB, in practice."""

BLANK = b" \t\r\n"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
# JSON-RPC 2.0 section 4: a string with the name of the method; names in use are words joined by
# points, hyphens and slashes (common practice).  Anything else is not taken for a name.
METHOD = re.compile(rb'"method"[ \t\r\n]*:[ \t\r\n]*"([A-Za-z_][A-Za-z0-9_./:-]{0,63})"')


@value_class
class RpcShape:
    """What the members of a message say about call and answer."""

    method: str | None
    """Name of the called method; None where there is none, or where it does not read like a name."""
    has_method: bool
    has_id: bool
    """A call without it is a notification, to which nobody answers (section 4.1)."""
    has_result: bool
    has_error: bool
    is_version_2: bool
    """The member ``jsonrpc`` is there."""


def begins_as_json(octets: bytes) -> bool:
    """Whether octets begin like a JSON object, or an array of objects, and are text as far as they go."""
    start = octets.lstrip(BLANK)
    if start[:1] == b"[":
        start = start[1:].lstrip(BLANK)
    if start[:1] != b"{":
        return False
    inner = start[1:].lstrip(BLANK)
    if inner[:1] not in (b'"', b"}"):
        return False
    # Octets below 0x20 other than blanks stand nowhere in JSON (RFC 8259 sections 2 and 7).
    return all(octet >= 0x20 or octet in BLANK for octet in inner)


def message_shape(
    octets: bytes, place: str
) -> tuple[tuple[str, ...], tuple[SightedSecret, ...], RpcShape | None]:
    """
    Names, secrets and the roles of call and answer in a JSON text; total.

    ``place`` names the carrier in the secrets.  The last is None where no member
    of a call or an answer stands at the top.
    """
    octets = octets[:MAX_MESSAGE_READ]
    if octets.removeprefix(BYTE_ORDER_MARK).lstrip(BLANK)[:1] not in (b"{", b"["):
        return (), (), None
    keys, secrets = json_keys(octets, place=place)
    return keys, secrets, rpc_shape(octets, keys)


def rpc_shape(octets: bytes, keys: tuple[str, ...]) -> RpcShape | None:
    """The roles of call and answer; ``keys`` are those of ``octets``."""
    if not {"method", "result", "error"}.intersection(keys):
        return None
    found = METHOD.search(octets) if "method" in keys else None
    method = found[1].decode("ascii") if found is not None else None
    if method is not None and (looks_random(method) or is_identifier(method)):
        method = None
    return RpcShape(
        method=method,
        has_method="method" in keys,
        has_id="id" in keys,
        has_result="result" in keys,
        has_error="error" in keys,
        is_version_2="jsonrpc" in keys,
    )
