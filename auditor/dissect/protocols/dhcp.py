"""
DHCP for IPv4.

Standards: RFC 2131, RFC 2132, RFC 3442, RFC 8910 (114), RFC 8520 section 10 (161).
Reads:     UDP payload of ports 67 and 68.
Keeps:     names and identifiers; no other option values.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class DhcpMessage(Message):
    """One message; addresses are None where the field is all zero or absent."""

    message_type: int
    """Option 53: 1 DISCOVER, 2 OFFER, 3 REQUEST, 4 DECLINE, 5 ACK, 6 NAK, 7 RELEASE, 8 INFORM; 0: plain BOOTP."""
    is_reply: bool
    transaction: int
    client_link: LinkAddress
    client_address: Address | None
    """ciaddr."""
    your_address: Address | None
    """yiaddr."""
    relay_address: Address | None
    """giaddr."""
    requested_address: Address | None
    """Option 50."""
    server_address: Address | None
    """Option 54."""
    host_name: str | None
    """Option 12, or the host part of option 81."""
    vendor_class: str | None
    """Option 60."""
    client_identifier: bytes | None
    """Option 61, at most 64 octets."""
    parameter_list: tuple[int, ...]
    """Option 55."""
    routers: tuple[Address, ...]
    """Option 3."""
    resolvers: tuple[Address, ...]
    """Option 6."""
    time_servers: tuple[Address, ...]
    """Option 42."""
    subnet_mask_length: int | None
    """Bits, from option 1."""
    lease_seconds: int | None
    """Option 51."""
    mud_url: str | None
    """Option 161."""
