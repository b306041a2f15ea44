"""
TLS handshakes: ClientHello, ServerHello, Certificate up to version 1.2, alerts in the clear.

Standards: RFC 8446, RFC 5246, RFC 6066 section 3 (server_name), RFC 7301 (ALPN), RFC 9849 (ECH), RFC 8701 (GREASE).
Reads:     one direction of a TCP stream, on any port, messages split over records and segments.
Keeps:     names, versions, suites, facts of the certificate; no random, key share or session identifier.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientHello(Message):
    """RFC 8446 4.1.2."""

    server_name: str | None
    """Lower case; the outer name where ``has_encrypted_client_hello``."""
    application_protocols: tuple[str, ...]
    versions: tuple[int, ...]
    """Offered, highest first, GREASE left out: 0x0304 is TLS 1.3."""
    cipher_suites: tuple[int, ...]
    has_encrypted_client_hello: bool
    """The extension is present; that alone does not say that the name is hidden (GREASE)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServerHello(Message):
    """RFC 8446 4.1.3; a HelloRetryRequest is one too."""

    version: int
    """Selected: of supported_versions where present, else server_version."""
    cipher_suite: int
    application_protocol: str | None
    is_retry_request: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate(Message):
    """The server's (or client's) leaf certificate, TLS 1.2 and below (RFC 5246 7.4.2)."""

    from_client: bool
    subject: str | None
    """Common name."""
    issuer: str | None
    self_issued: bool
    """Issuer equals subject octet by octet."""
    not_before_ns: int | None
    not_after_ns: int | None
    names: tuple[str, ...]
    """dNSName entries of subjectAltName."""
    chain_length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert(Message):
    """An alert before encryption began (RFC 8446 section 6)."""

    level: int
    description: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EncryptedData(Message):
    """The first application data record of a direction: proof that the octets are TLS records though no hello was seen."""

    record_version: int
