"""
Group membership: MLD versions 1 and 2.

Standards: RFC 2710, RFC 3810 section 5.
Reads:     the ICMPv6 message of types 130 to 132 and 143.
Keeps:     everything.
"""

from __future__ import annotations

from auditor.addresses import Address
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.group_membership import GroupMembership, read_report
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor

# ICMPv6 types (RFC 2710 section 3.1, RFC 3810 section 5)
QUERY = 130
REPORT_V1 = 131
DONE = 132
REPORT_V2 = 143
TYPES = frozenset({QUERY, REPORT_V1, DONE, REPORT_V2})

MESSAGE_OCTETS = 24  # version 1
QUERY_V2_OCTETS = 28
REPORT_V2_OCTETS = 8


def looks_like(head: bytes) -> bool:
    """Whether an ICMPv6 message that begins with ``head`` is worth parsing."""
    return len(head) >= REPORT_V2_OCTETS and head[0] in TYPES


def parse_message(cursor: Cursor) -> GroupMembership:
    """
    Parse one message; its checksum covers addresses that are not part of it, so it is not looked at.

    Raises:
        DecodeError: another type, or a length that its version does not allow.
    """
    data = cursor.take(cursor.remaining, "message")
    if not data:
        raise TruncatedError("type", 0, "needs 1 octet, 0 remain")
    kind = data[0]
    if kind not in TYPES:
        raise MalformedError("type", 0, f"{kind}")
    if kind == REPORT_V2:
        return _report(data)
    if len(data) < MESSAGE_OCTETS:
        raise TruncatedError("multicast_address", len(data), "the message ends here")
    if kind == QUERY:
        return _query(data)
    return GroupMembership(
        length=len(data),
        kind="leave" if kind == DONE else "report",
        version=1,
        groups=(Address(data[8:24]),),
    )


def _query(data: bytes) -> GroupMembership:
    """Tell the versions apart as RFC 3810 8.1 does."""
    version = 1
    if len(data) > MESSAGE_OCTETS:
        if len(data) < QUERY_V2_OCTETS:
            raise TruncatedError("sources", len(data), "the message ends here")
        version = 2
        sources = int.from_bytes(data[26:28], "big")
        if QUERY_V2_OCTETS + 16 * sources > len(data):
            raise TruncatedError("sources", len(data), f"{sources} of 16 octets")
    groups = (Address(data[8:24]),) if any(data[8:24]) else ()
    return GroupMembership(length=len(data), kind="query", version=version, groups=groups)


def _report(data: bytes) -> GroupMembership:
    """Read a version 2 report (5.2); its records of at least twenty octets are bounded by the packet."""
    if len(data) < REPORT_V2_OCTETS:
        raise TruncatedError("record_count", len(data), "the message ends here")
    return read_report(
        data, version=2, offset=REPORT_V2_OCTETS, octets=16, field="address_record", address_of=Address
    )


DISSECTOR = Dissector(
    name="mld",
    transport="icmpv6",
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
