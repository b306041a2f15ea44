"""
What a certificate says about its subject: a bounded reader of the few fields that a report needs.

Standards: RFC 5280 section 4.1 (Certificate), 4.2.1.6 (subjectAltName), ITU-T X.690 section 8 (lengths).
No signature is checked: a recording cannot tell whom a client trusts.
"""

from __future__ import annotations

from datetime import UTC, datetime

from auditor.dissect.syntax.printable import printable
from auditor.errors import LimitError, MalformedError
from auditor.units import NS_PER_SECOND
from auditor.value_class import value_class
from auditor.wire import Cursor

SEQUENCE, SET, OBJECT_IDENTIFIER, OCTET_STRING, BOOLEAN = 0x30, 0x31, 0x06, 0x04, 0x01
UTC_TIME, GENERALIZED_TIME, BMP_STRING = 0x17, 0x18, 0x1E
VERSION, EXTENSIONS, DNS_NAME = 0xA0, 0xA3, 0x82  # context tags [0], [3]; GeneralName dNSName [2]
COMMON_NAME = bytes.fromhex("550403")  # 2.5.4.3
ORGANIZATION_NAME = bytes.fromhex("55040a")  # 2.5.4.10
SUBJECT_ALT_NAME = bytes.fromhex("551d11")  # 2.5.29.17

MAX_NAME_PARTS = 64  # attributes of one distinguished name
MAX_EXTENSIONS = 64  # extensions of one certificate; usual ones carry about ten
MAX_NAMES = 64  # dNSName entries kept; certificates of shared hosts list up to 100 (common practice)
MAX_HOST_NAME = 255  # RFC 1035 2.3.4


@value_class
class CertificateFacts:
    """The fields kept of one certificate."""

    subject: str | None
    """Common name."""
    issuer: str | None
    """Common name, else organization."""
    self_issued: bool
    """Issuer equals subject octet by octet."""
    not_before_ns: int
    not_after_ns: int
    names: tuple[str, ...]
    """dNSName entries of subjectAltName, lower case."""


def parse_certificate(octets: bytes) -> CertificateFacts:
    """
    Read one DER certificate.

    Raises:
        DecodeError: the octets are not the DER of a Certificate.
    """
    outer = Cursor(octets)
    body = _expect(_expect(outer, SEQUENCE, "certificate"), SEQUENCE, "tbs_certificate")
    tag, inner = _element(body, "serial_number")
    if tag == VERSION:
        _element(body, "serial_number")
    _expect(body, SEQUENCE, "signature")
    issuer = _octets(_expect(body, SEQUENCE, "issuer"), "issuer")
    validity = _expect(body, SEQUENCE, "validity")
    not_before, not_after = _time(validity, "not_before"), _time(validity, "not_after")
    subject = _octets(_expect(body, SEQUENCE, "subject"), "subject")
    _expect(body, SEQUENCE, "subject_public_key_info")
    names: tuple[str, ...] = ()
    while body.remaining:
        tag, inner = _element(body, "extensions")
        if tag == EXTENSIONS:
            names = _alternative_names(_expect(inner, SEQUENCE, "extensions"))
    subject_names, issuer_names = _distinguished_name(subject), _distinguished_name(issuer)
    return CertificateFacts(
        subject=subject_names.get(COMMON_NAME),
        issuer=issuer_names.get(COMMON_NAME, issuer_names.get(ORGANIZATION_NAME)),
        self_issued=issuer == subject,
        not_before_ns=not_before,
        not_after_ns=not_after,
        names=names,
    )


def _element(cursor: Cursor, field: str) -> tuple[int, Cursor]:
    """Read tag, length and value (X.690 8.1); the value as a walled-off cursor."""
    start = cursor.offset
    tag = cursor.uint(1, field)
    if tag & 0x1F == 0x1F:
        raise MalformedError(field, start, "tag number of several octets")
    length = cursor.uint(1, field)
    if length & 0x80:
        size = length & 0x7F
        if not 1 <= size <= 3:  # no certificate of a handshake passes 2**24 octets (RFC 5246 7.4.2)
            raise MalformedError(field, start, f"length of {size} octets")
        length = cursor.uint(size, field)
    return tag, cursor.block(length, field)


def _expect(cursor: Cursor, tag: int, field: str) -> Cursor:
    start = cursor.offset
    found, inner = _element(cursor, field)
    if found != tag:
        raise MalformedError(field, start, f"tag 0x{tag:02x} expected, 0x{found:02x} found")
    return inner


def _octets(cursor: Cursor, field: str) -> bytes:
    return cursor.take(cursor.remaining, field)


def _distinguished_name(octets: bytes) -> dict[bytes, str]:
    """Attributes by type; the last of each stands, as the most specific comes last (RFC 5280 4.1.2.4)."""
    cursor, found = Cursor(octets), dict[bytes, str]()
    for _ in range(MAX_NAME_PARTS):
        if not cursor.remaining:
            return found
        part = _expect(cursor, SET, "relative_distinguished_name")
        if not part.remaining:
            continue
        attribute = _expect(part, SEQUENCE, "attribute")
        kind = _octets(_expect(attribute, OBJECT_IDENTIFIER, "attribute_type"), "attribute_type")
        tag, value = _element(attribute, "attribute_value")
        found[kind] = _text(tag, _octets(value, "attribute_value"))
    raise LimitError("relative_distinguished_name", cursor.offset, f"more than {MAX_NAME_PARTS}")


def _text(tag: int, octets: bytes) -> str:
    if tag == BMP_STRING:
        octets = octets.decode("utf-16-be", "replace").encode("utf-8", "replace")
    return printable(octets, MAX_HOST_NAME)


def _time(cursor: Cursor, field: str) -> int:
    """UTCTime or GeneralizedTime, in UTC, with seconds (RFC 5280 4.1.2.5.1 and 4.1.2.5.2); ns since 1970."""
    start = cursor.offset
    tag, inner = _element(cursor, field)
    digits = _octets(inner, field)
    expected = {UTC_TIME: 13, GENERALIZED_TIME: 15}.get(tag)
    if len(digits) != expected or digits[-1:] != b"Z" or not digits[:-1].isdigit():
        raise MalformedError(field, start, "not a time of day in UTC")
    if tag == UTC_TIME:
        digits = (b"19" if digits[:2] >= b"50" else b"20") + digits
    numbers = [int(digits[i : i + n]) for i, n in ((0, 4), (4, 2), (6, 2), (8, 2), (10, 2), (12, 2))]
    try:
        moment = datetime(numbers[0], *numbers[1:], tzinfo=UTC)  # type: ignore[arg-type,misc]
    except ValueError:
        raise MalformedError(field, start, "no such date") from None
    elapsed = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (elapsed.days * 86_400 + elapsed.seconds) * NS_PER_SECOND


def _alternative_names(extensions: Cursor) -> tuple[str, ...]:
    for _ in range(MAX_EXTENSIONS):
        if not extensions.remaining:
            return ()
        extension = _expect(extensions, SEQUENCE, "extension")
        kind = _octets(_expect(extension, OBJECT_IDENTIFIER, "extension_identifier"), "extension_identifier")
        if kind != SUBJECT_ALT_NAME:
            continue
        tag, value = _element(extension, "extension_value")
        if tag == BOOLEAN:
            value = _expect(extension, OCTET_STRING, "extension_value")
        return _dns_names(_expect(value, SEQUENCE, "subject_alternative_name"))
    raise LimitError("extensions", extensions.offset, f"more than {MAX_EXTENSIONS}")


def _dns_names(general_names: Cursor) -> tuple[str, ...]:
    names: list[str] = []
    while general_names.remaining and len(names) < MAX_NAMES:
        tag, value = _element(general_names, "general_name")
        if tag == DNS_NAME:
            names.append(printable(_octets(value, "dns_name"), MAX_HOST_NAME).lower())
    return tuple(names)
