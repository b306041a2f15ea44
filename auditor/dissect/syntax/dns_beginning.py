"""
Whether octets begin as a message of the domain name system does.

Standard: RFC 1035 section 4.1 (header and names), RFC 6891 section 6.1 (OPT), IANA DNS parameters.
"""

from __future__ import annotations

from struct import Struct

from auditor.dissect.syntax.dns_message import CLASSES, HEADER_OCTETS, MAX_RECORDS, TOP_CLASS_BIT, TYPE_OPT

_HEADER = Struct(">6H").unpack_from
_QUESTION = Struct(">HH").unpack_from


def looks_like_dns(head: bytes) -> bool:
    """
    Whether ``head`` begins as a message does: plausible counts, and a name or the end behind the header.

    The reserved bit must be clear and the operation a query, notification or
    update (RFC 1035 4.1.1; IANA DNS OpCodes).
    """
    if len(head) < HEADER_OCTETS:
        return False
    _, flags, questions, answers, authorities, additionals = _HEADER(head)
    records = answers + authorities + additionals
    if flags & 0x0040 or (flags >> 11 & 0xF) not in (0, 4, 5) or flags & 0xF > 11:
        return False
    if questions > 64 or records > MAX_RECORDS:
        return False
    if not questions and not records:
        return len(head) == HEADER_OCTETS and flags & 0x8000 != 0
    return _begins_with_name(head, questions > 0)


def _begins_with_name(head: bytes, is_question: bool) -> bool:
    """Walk the first name as far as ``head`` holds it; it must have a type and a class in use behind it."""
    offset = HEADER_OCTETS
    while offset < len(head):
        length = head[offset]
        offset += 1
        if length > 63:
            return False
        if length == 0:
            if offset + 4 > len(head):
                return offset > HEADER_OCTETS + 1  # cut behind a name; the root alone is no sign of one
            record_type, record_class = _QUESTION(head, offset)
            if record_type == TYPE_OPT and not is_question:
                return True  # its class is a size (RFC 6891 6.1.2)
            return record_type != 0 and record_class & ~TOP_CLASS_BIT in CLASSES
        offset += length
    return len(head) > HEADER_OCTETS
