"""
Group membership: IGMP versions 1 to 3.

Standards: RFC 1112 appendix I, RFC 2236, RFC 3376 section 4 (as restated by RFC 9776).
Reads:     the IGMP message.
Keeps:     everything.
"""

from __future__ import annotations

from struct import unpack_from

from auditor.addresses import IPV4_MAPPED_PREFIX, Address
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.group_membership import GroupMembership, read_report
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor

# Types (RFC 3376 section 4; RFC 1112 appendix I for version 1)
QUERY = 0x11
REPORT_V1 = 0x12
REPORT_V2 = 0x16
LEAVE_V2 = 0x17
REPORT_V3 = 0x22
TYPES = frozenset({QUERY, REPORT_V1, REPORT_V2, LEAVE_V2, REPORT_V3})

MESSAGE_OCTETS = 8  # versions 1 and 2, and the head of a version 3 report
QUERY_V3_OCTETS = 12


def looks_like(head: bytes) -> bool:
    """Whether a message that begins with ``head`` is worth parsing."""
    return len(head) >= MESSAGE_OCTETS and head[0] in TYPES


def parse_message(cursor: Cursor) -> GroupMembership:
    """
    Parse one message, checksum included (RFC 3376 4.1.2).

    Raises:
        DecodeError: another type, a length that its version does not allow, or a
            wrong checksum.
    """
    data = cursor.take(cursor.remaining, "message")
    if not data:
        raise TruncatedError("type", 0, "needs 1 octet, 0 remain")
    kind = data[0]
    if kind not in TYPES:
        raise MalformedError("type", 0, f"{kind:#04x}")
    if len(data) < MESSAGE_OCTETS:
        raise TruncatedError("group_address", len(data), "the message ends here")
    if kind == REPORT_V3:
        message = _report(data)
    elif kind == QUERY:
        message = _query(data)
    else:
        message = GroupMembership(
            length=len(data),
            kind="leave" if kind == LEAVE_V2 else "report",
            version=1 if kind == REPORT_V1 else 2,
            groups=(_group(data[4:8]),),
        )
    if _ones_complement_sum(data) != 0xFFFF:
        raise MalformedError("checksum", 2, "wrong")
    return message


def _query(data: bytes) -> GroupMembership:
    """Tell the versions apart as RFC 3376 7.1 does."""
    version = 2 if data[1] else 1
    if len(data) > MESSAGE_OCTETS:
        if len(data) < QUERY_V3_OCTETS:
            raise TruncatedError("sources", len(data), "the message ends here")
        version = 3
        sources = int.from_bytes(data[10:12], "big")
        if QUERY_V3_OCTETS + 4 * sources > len(data):
            raise TruncatedError("sources", len(data), f"{sources} of 4 octets")
    groups = (_group(data[4:8]),) if any(data[4:8]) else ()
    return GroupMembership(length=len(data), kind="query", version=version, groups=groups)


def _report(data: bytes) -> GroupMembership:
    """Read a version 3 report (4.2); its records of at least eight octets are bounded by the datagram."""
    return read_report(
        data, version=3, offset=MESSAGE_OCTETS, octets=4, field="group_record", address_of=_group
    )


def _group(octets: bytes) -> Address:
    return Address(IPV4_MAPPED_PREFIX + octets)


def _ones_complement_sum(data: bytes) -> int:
    """RFC 1071; folded to 16 bits, all ones where the checksum is right."""
    total: int = sum(unpack_from(f">{len(data) // 2}H", data))
    if len(data) % 2:
        total += data[-1] << 8
    total = (total & 0xFFFF) + (total >> 16)
    return (total & 0xFFFF) + (total >> 16)


DISSECTOR = Dissector(
    name="igmp",
    transport="igmp",
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
