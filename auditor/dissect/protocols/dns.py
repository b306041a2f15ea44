"""
DNS over UDP and TCP.

Standards: RFC 1035, RFC 7766 (TCP length prefix); the message itself is ``auditor.dissect.syntax.dns_message``.
Reads:     UDP payload; one direction of a TCP stream.
Keeps:     questions and records.
"""
