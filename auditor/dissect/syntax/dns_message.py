"""
Messages of the domain name system: one bounded parser for DNS, mDNS and LLMNR.

Standards: RFC 1035 section 4 (wire format), RFC 2181 section 8 (TTL), RFC 6762 section 18 (mDNS header and
           class bits), RFC 6763 section 6 (TXT keys), RFC 2782 (SRV), RFC 9460 (SVCB and HTTPS, presence only).
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.addresses import Address
from auditor.dissect.message import Message
from auditor.secret import Secret


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One entry of the question section (RFC 1035 4.1.2)."""

    name: str
    """Labels joined by dots, no final dot; octets outside printable ASCII written ``\\DDD``
    unless they are valid UTF-8 (RFC 6762 section 16); a dot inside a label is ``\\.``."""
    record_type: int
    record_class: int
    """Without the top bit."""
    unicast_response: bool
    """mDNS QU bit (RFC 6762 5.4); always False for plain DNS."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextKey:
    """One ``key=value`` of a TXT record (RFC 6763 section 6)."""

    key: str
    """As sent; compare without case."""
    value: str | None
    """None: a key without ``=``, or one whose value is kept as a secret."""
    secret: Secret | None
    """The value of a key that by registration or name holds a password (``p``, ``password``, ``psk`` …)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResourceRecord:
    """One resource record; the fields of its type are filled, the others are None or empty."""

    name: str
    record_type: int
    record_class: int
    cache_flush: bool
    """mDNS cache-flush bit (RFC 6762 10.2); always False for plain DNS."""
    time_to_live: int
    """Seconds; 0 in mDNS is a goodbye (RFC 6762 10.1)."""
    address: Address | None = None
    """A, AAAA."""
    target: str | None = None
    """CNAME, PTR, NS, SRV, DNAME; SVCB and HTTPS: the target name."""
    port: int | None = None
    """SRV."""
    text: tuple[TextKey, ...] = ()
    """TXT, first of each key (RFC 6763 6.4)."""
    has_encrypted_client_hello: bool = False
    """HTTPS or SVCB record with an ech parameter (RFC 9460 14.3.2, key 5)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DnsMessage(Message):
    """One message; sections are kept apart."""

    identifier: int
    is_response: bool
    opcode: int
    response_code: int
    authoritative: bool
    truncated: bool
    recursion_desired: bool
    questions: tuple[Question, ...]
    answers: tuple[ResourceRecord, ...]
    authorities: tuple[ResourceRecord, ...]
    additionals: tuple[ResourceRecord, ...]
    unread_records: int
    """Records whose content broke their type's format; the message stands without them."""
