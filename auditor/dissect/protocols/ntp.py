"""
NTP and SNTP, versions 1 to 4.

Standards: RFC 5905 section 7.3, RFC 4330.
Reads:     UDP payload.
Keeps:     header fields; no timestamps but the presence of a transmit time.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class NtpMessage(Message):
    """One message (RFC 5905 figure 8)."""

    version: int
    mode: int
    """1 symmetric active, 2 symmetric passive, 3 client, 4 server, 5 broadcast, 6 control (7.3 figure 10)."""
    leap: int
    stratum: int
    poll_exponent: int
    """log2 seconds, signed."""
    looks_simple: bool
    """A client message whose fields besides the transmit time are zero, as SNTP sends (RFC 4330 section 5)."""
    is_authenticated: bool
    """A MAC or extension follows the header."""
