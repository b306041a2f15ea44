"""
mDNS.

Standards: RFC 6762, RFC 6763; the message itself is ``auditor.dissect.syntax.dns_message``.
Reads:     UDP payload.
Keeps:     questions and records.
"""

from __future__ import annotations

from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.dns_beginning import looks_like_dns
from auditor.dissect.syntax.dns_message import DnsMessage, parse_dns_message
from auditor.wire import Cursor

PORTS = frozenset({5353})  # IANA service name: mdns


def parse_message(cursor: Cursor) -> DnsMessage:
    """Parse one datagram; the top bits of classes have their meaning of RFC 6762."""
    return parse_dns_message(cursor, is_multicast=True)


DISSECTOR = Dissector(
    name="mdns",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like_dns,
    parse_datagram=parse_message,
    # By its octets alone a message is DNS: what makes it mDNS is the port.
    any_port=False,
)
