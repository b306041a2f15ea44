"""
LLMNR: names of one link, asked of everybody there.

Standard: RFC 4795 sections 2.1 (header) and 2.1.1 (bits); the message itself is
          ``auditor.dissect.syntax.dns_message``.
Reads:     UDP payload of port 5355.
Keeps:     questions and records; they name hosts of the home, not of the outside.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.dns_beginning import looks_like_dns
from auditor.dissect.syntax.dns_message import Question, ResourceRecord, parse_dns_message
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({5355})  # IANA service name: llmnr
HEADER_OCTETS = 12


@value_class
class LinkNameMessage(Message):
    """One query or response; not a ``DnsMessage``, for nobody asks a resolver here."""

    identifier: int
    is_response: bool
    is_conflict: bool
    """Bit C: several hosts answer to the name."""
    is_tentative: bool
    """Bit T: the responder is not sure yet that the name is its own."""
    response_code: int
    questions: tuple[Question, ...]
    answers: tuple[ResourceRecord, ...]
    unread_records: int
    """Records whose content broke their type's format."""


def looks_like(head: bytes) -> bool:
    """Whether ``head`` is a header of this protocol: one question, operation and reserved bits 0."""
    return (
        len(head) > HEADER_OCTETS
        and not head[2] & 0x78
        and not head[3] & 0xF0
        and head[4:6] == b"\0\x01"
        and looks_like_dns(head)
    )


def parse_message(cursor: Cursor) -> LinkNameMessage:
    """
    Parse one datagram.

    Raises:
        DecodeError: the message cannot be read, or its operation is another than 0.
    """
    message = parse_dns_message(cursor, is_multicast=False)
    if message.opcode:
        raise MalformedError("operation", 2, f"{message.opcode}")
    return LinkNameMessage(
        length=message.length,
        identifier=message.identifier,
        is_response=message.is_response,
        # 2.1.1: C and T stand where DNS has AA and RD.
        is_conflict=message.authoritative,
        is_tentative=message.recursion_desired,
        response_code=message.response_code,
        questions=message.questions,
        answers=message.answers,
        unread_records=message.unread_records,
    )


DISSECTOR = Dissector(
    name="llmnr",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    # By its octets alone a message is DNS: what makes it LLMNR is the port.
    any_port=False,
)
