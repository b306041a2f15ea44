"""
Words of a household in MQTT: topics, what is published, and the will.

Standard: MQTT 3.1.1 sections 2.2 (fixed header), 3.1 (CONNECT), 3.3 (PUBLISH), 3.8 (SUBSCRIBE).  Names and
          passwords of the login are secrets and overwritten by their values.
Limit:    packets are walked from a segment's first octet; one that begins in the middle of a segment behind
          another's rest is left to the known values.
"""

from __future__ import annotations

import re

from auditor.inventory.effects import VOCABULARY, words_of
from auditor.reduction.overwrite import Overwriter

MAX_PACKETS = 64
"""In one segment; more are not walked, and the payload goes."""

_COMMON = frozenset(
    {"home", "set", "get", "status", "command", "available", "availability", "online", "offline"}
)
_TEXT = re.compile(rb'"((?:[^"\\]|\\.)*)"(\s*:)?', re.DOTALL)
_CONNECT, _PUBLISH, _SUBSCRIBE, _UNSUBSCRIBE, _LAST = 1, 3, 8, 10, 15
_WILL, _FIVE = 0x04, 5


def begins_mqtt(payload: bytes) -> bool:
    """Whether a segment begins with a packet whose kind, flags and length hold together."""
    return bool(payload) and 1 <= payload[0] >> 4 < _LAST and _packet(payload, 0) is not None


def overwrite_mqtt(payload: bytes, overwriter: Overwriter) -> bytes:
    """The payload, of the same length; empty where it holds more packets than the bound."""
    made = bytearray(payload)
    at = 0
    for _ in range(MAX_PACKETS):
        found = _packet(payload, at)
        if found is None:
            return bytes(made)
        start, end = found
        kind, flags = payload[at] >> 4, payload[at] & 15
        if kind == _CONNECT:
            _connect(made, start, end, overwriter)
        elif kind == _PUBLISH:
            rest = _topic(made, start, end, overwriter)
            _content(made, rest + (2 if flags & 6 else 0), end, overwriter)
        elif kind in (_SUBSCRIBE, _UNSUBSCRIBE):
            place = start + 2
            while place + 2 <= end:
                place = _topic(made, place, end, overwriter) + (kind == _SUBSCRIBE)
        at = end
    return b""


def _packet(payload: bytes, at: int) -> tuple[int, int] | None:
    """Where a packet's content begins and ends; it may end behind the segment."""
    length = 0
    for place in range(4):
        if at + 1 + place >= len(payload):
            return None
        octet = payload[at + 1 + place]
        length |= (octet & 127) << 7 * place
        if octet < 128:
            start = at + 2 + place
            return start, min(len(payload), start + length)
    return None


def _string(made: bytearray, at: int, end: int) -> tuple[int, int]:
    stop = at + 2 + int.from_bytes(made[at : at + 2])
    return min(at + 2, end), min(stop, end)


def _connect(made: bytearray, at: int, end: int, overwriter: Overwriter) -> None:
    _, at = _string(made, at, end)
    if at + 4 > end or not made[at + 1] & _WILL:
        return
    is_five = made[at] == _FIVE
    at = _behind_properties(made, at + 4, end) if is_five else at + 4
    _, at = _string(made, at, end)  # the client's identifier: a name of the device itself
    at = _behind_properties(made, at, end) if is_five else at
    at = _topic(made, at, end, overwriter)
    start, stop = _string(made, at, end)
    _content(made, start, stop, overwriter)


def _behind_properties(made: bytearray, at: int, end: int) -> int:
    """MQTT 5.0 section 2.2.2: their length is a number of the same form as a packet's."""
    length = 0
    for place in range(4):
        if at >= end:
            return end
        octet = made[at]
        at += 1
        length |= (octet & 127) << 7 * place
        if octet < 128:
            break
    return min(end, at + length)


def _topic(made: bytearray, at: int, end: int, overwriter: Overwriter) -> int:
    start, stop = _string(made, at, end)
    levels = [
        level if _is_common(level) else overwriter.stand_in(level)
        for level in bytes(made[start:stop]).split(b"/")
    ]
    made[start:stop] = b"/".join(levels)
    return stop


def _content(made: bytearray, at: int, end: int, overwriter: Overwriter) -> None:
    content = bytes(made[at:end])
    if b"{" in content[:8]:
        # Keys are what a judgement reads; values of text may be anybody's.
        made[at:end] = _TEXT.sub(
            lambda match: (
                match.group() if match.group(2) else b'"' + overwriter.stand_in(match.group(1)) + b'"'
            ),
            content,
        )
    elif not _is_common(content):
        made[at:end] = overwriter.stand_in(content)


def _is_common(octets: bytes) -> bool:
    """Words of the trade, numbers and marks."""
    words = words_of([octets.decode("utf-8", "replace")]) - {""}
    return words <= VOCABULARY | _COMMON
