"""
VXLAN: frames carried inside datagrams, named and not unfolded.

Standard: RFC 7348 section 5.
Reads:    UDP payload of port 4789.
Keeps:    the number of the segment and the ethertype inside.
"""

from __future__ import annotations

from auditor.addresses import LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({4789})  # IANA service name: vxlan
FLAG_VALID = 0x08  # all others are reserved and sent as zero
HEAD = b"\x08\x00\x00\x00"


@value_class
class VxlanPacket(Message):
    """The head of one packet."""

    network_identifier: int
    """24 bits."""
    inner_source: LinkAddress
    inner_destination: LinkAddress
    inner_ethertype: int


def looks_like(head: bytes) -> bool:
    """Whether ``head`` begins as the header must: flags and reserved octets, and a frame behind."""
    return len(head) >= 22 and head.startswith(HEAD) and head[7] == 0


def parse_message(cursor: Cursor) -> VxlanPacket:
    """
    Parse the head and the addresses of the frame inside.

    Raises:
        DecodeError: the identifier is not marked valid, or the packet ends before the frame's header does.
    """
    length = cursor.remaining
    flags = cursor.uint(1, "flags")
    if not flags & FLAG_VALID:
        raise MalformedError("flags", 0, f"{flags}")
    cursor.take(3, "reserved")
    identifier = cursor.uint(3, "network_identifier")
    cursor.take(1, "reserved")
    destination = LinkAddress(cursor.take(6, "inner_destination"))
    source = LinkAddress(cursor.take(6, "inner_source"))
    ethertype = cursor.uint(2, "inner_ethertype")
    cursor.take(cursor.remaining, "inner_payload")
    return VxlanPacket(
        length=length,
        network_identifier=identifier,
        inner_source=source,
        inner_destination=destination,
        inner_ethertype=ethertype,
    )


DISSECTOR = Dissector(
    name="vxlan",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
    any_port=False,
)
