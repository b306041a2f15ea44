"""
mDNS.

Standards: RFC 6762, RFC 6763; the message itself is ``auditor.dissect.syntax.dns_message``.
Reads:     UDP payload.
Keeps:     questions and records.
"""
