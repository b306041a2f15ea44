"""
What tells the beginning of an MQTT conversation, or of a message in one.

Standards: MQTT Version 3.1.1 and Version 5.0 (OASIS Standards); section numbers are those of 3.1.1.
"""

from __future__ import annotations

from auditor.dissect.syntax.mqtt_fields import variable_integer
from auditor.errors import DecodeError
from auditor.wire import Cursor

SESSION_PRESENT = 0x01  # 3.2.2.2
# Name and its length of 3.1.2.1, and of the version before the standard.
NAME_FIELDS = (b"\x00\x04MQTT", b"\x00\x06MQIsdp")
MAX_HEAD = 64  # octets that ``looks_like`` is given at most
MAX_RETURN_CODE = 5  # 3.2.2.3


def begins_as_connect(head: bytes) -> bool:
    """Whether name and length are those of a CONNECT, as far as they are there: small senders split them."""
    for offset in range(2, 6):
        if head[offset - 1] < 0x80:
            shown = head[offset:]
            return shown.startswith(NAME_FIELDS) or any(name.startswith(shown) for name in NAME_FIELDS)
        if offset == len(head):
            return True
    return False


def begins_as_acknowledgement(head: bytes) -> bool:
    """Whether length, flags and code are those of 3.2, or of 5.0 with a property list that fits."""
    if len(head) < 4 or head[2] & ~SESSION_PRESENT:
        return False
    if head[1] == 2:
        return head[3] <= MAX_RETURN_CODE
    return (
        3 <= head[1] < 0x80
        and len(head) > 4
        and head[4] == head[1] - 3
        and head[3] in (0, *range(0x80, 0xA0))
    )


def begins_as_publish(head: bytes) -> bool:
    """Whether the packet fits its length and its topic is one, as far as ``head`` shows them."""
    try:
        cursor = Cursor(head, 1)
        remaining = variable_integer(cursor, "remaining_length")
        total = cursor.offset + remaining
        topic_octets = cursor.uint(2, "topic_name")
    except DecodeError:
        return False
    fits = total == len(head) or (len(head) >= MAX_HEAD and total > len(head))
    topic = head[cursor.offset : cursor.offset + topic_octets]
    return (
        fits
        and head[0] & 0x06 != 0x06
        and 0 < topic_octets <= remaining - 2
        and all(0x20 <= octet != 0x7F for octet in topic)
        and not any(mark in topic for mark in b"+#")  # 4.7.1: not in a name
    )
