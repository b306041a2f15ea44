"""
Messages of the domain name system: one bounded parser for DNS, mDNS and LLMNR.

Standards: RFC 1035 section 4 (wire format), RFC 2181 section 8 (TTL), RFC 6762 section 18 (mDNS header and
           class bits), RFC 6763 section 6 (TXT keys), RFC 2782 (SRV), RFC 9460 (SVCB and HTTPS: presence).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from struct import Struct
from typing import Any, NamedTuple, cast

from auditor.addresses import IPV4_MAPPED_PREFIX, Address
from auditor.dissect.message import Message
from auditor.dissect.syntax.dns_name import Names, read_name
from auditor.dissect.syntax.printable import to_printable
from auditor.dissect.syntax.secrets import is_plausible, kind_of_field
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

HEADER_OCTETS = 12  # RFC 1035 4.1.1

# RFC 1035 3.2.2, RFC 3596, RFC 2782, RFC 6672, RFC 6891, RFC 9460
TYPE_A = 1
TYPE_NS = 2
TYPE_CNAME = 5
TYPE_PTR = 12
TYPE_TXT = 16
TYPE_AAAA = 28
TYPE_SRV = 33
TYPE_DNAME = 39
TYPE_OPT = 41
TYPE_SVCB = 64
TYPE_HTTPS = 65

CLASS_IN = 1  # RFC 1035 3.2.4
CLASSES = frozenset({CLASS_IN, 3, 4, 254, 255})  # CH, HS, NONE, ANY (IANA DNS CLASSes)
TOP_CLASS_BIT = 0x8000  # RFC 6762 5.4 in a question, 10.2 in a record
PARAMETER_ECH = 5  # RFC 9460 14.3.2
MAX_TIME_TO_LIVE = 0x7FFF_FFFF  # seconds; RFC 2181 section 8: what is above counts as zero

# In one message.  A multicast message has at most 9000 octets (RFC 6762 section
# 17), which hold 818 records of the least size.
MAX_RECORDS = 1024
MAX_TEXT_OCTETS = 9000  # of one TXT record, for the same reason

# Keys that hold a password besides those whose name says so: ``p`` is registered for http, ssh, telnet, ftp
# and others (IANA service names); the others are common practice.
PASSWORD_KEYS = frozenset({"p", "pin", "pincode", "wpa"})

_HEADER = Struct(">6H").unpack_from
_QUESTION = Struct(">HH").unpack_from
_RECORD = Struct(">HHIH").unpack_from
_SERVICE = Struct(">HHH").unpack_from


class Question(NamedTuple):
    """One entry of the question section (RFC 1035 4.1.2)."""

    name: str
    """Labels joined by dots, no final dot; octets outside printable ASCII written ``\\DDD``
    unless they are valid UTF-8 (RFC 6762 section 16); a dot inside a label is ``\\.``."""
    record_type: int
    record_class: int
    """Without the top bit."""
    unicast_response: bool
    """mDNS QU bit (RFC 6762 5.4); always False for plain DNS."""


class TextKey(NamedTuple):
    """One ``key=value`` of a TXT record (RFC 6763 section 6)."""

    key: str
    """As sent; compare without case."""
    value: str | None
    """None: a key without ``=``, or one whose value is kept as a secret."""
    secret: Secret | None
    """The value of a key that by registration or name holds a password (``p``, ``password``, ``psk`` …)."""


class ResourceRecord(NamedTuple):
    """
    One resource record; the fields of its type are filled, the others are None or empty.

    A tuple, as ``Envelope`` is: a recording holds very many.
    """

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


@value_class
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
    names_hold_identifier: bool = False
    """A pointer leads, or in a broken record may lead, into the identifier: with another one a name would
    read otherwise."""

    @property
    def is_probe(self) -> bool:
        """mDNS: a host asks, before using its names, if anybody has them (RFC 6762 8.1); no search."""
        return not self.is_response and bool(self.questions) and bool(self.authorities)


_Content = tuple[Address | None, str | None, int | None, tuple[TextKey, ...], bool]
"""Address, target, port, text and presence of ech, in the order of ``ResourceRecord``."""

_NO_CONTENT: _Content = (None, None, None, (), False)

# Half the time of calling the class, and there is one for each record of a recording.
_record: Callable[[tuple[object, ...]], ResourceRecord] = partial(tuple.__new__, ResourceRecord)


def parse_dns_message(cursor: Cursor, *, is_multicast: bool, prefix_octets: int = 0) -> DnsMessage:
    """
    Parse all octets that ``cursor`` has left as one message.

    ``is_multicast``: the top bit of a class has the meaning of RFC 6762.
    ``prefix_octets`` stood before the message and count into its length.  Octets
    behind the last record are passed over.

    Raises:
        DecodeError: a name, a header of a record or the message itself cannot be
            read.  A record whose content is broken is counted instead.
    """
    base = cursor.offset
    data = cursor.take(cursor.remaining, "message")
    try:
        return _message(data, is_multicast, prefix_octets)
    except DecodeError as error:
        if not base:
            raise
        raise type(error)(error.field, base + error.offset, error.problem) from None


def _message(data: bytes, is_multicast: bool, prefix_octets: int) -> DnsMessage:
    if len(data) < HEADER_OCTETS:
        raise TruncatedError("header", 0, f"needs {HEADER_OCTETS} octets, {len(data)} remain")
    identifier, flags, questions, *counts = _HEADER(data)
    if questions + sum(counts) > MAX_RECORDS:
        # The least question has five octets and the least record eleven: an
        # impossible count is a fault of the sender, a possible one our bound.
        kind = LimitError if HEADER_OCTETS + 5 * questions + 11 * sum(counts) <= len(data) else MalformedError
        raise kind("header", 4, f"{questions + sum(counts)} questions and records > {MAX_RECORDS}")
    names: Names = {}
    asked, offset = _questions(data, questions, names, is_multicast)
    sections = []
    unread = 0
    for count, field in zip(counts, ("answer", "authority", "additional"), strict=True):
        records: list[ResourceRecord] = []
        if count:
            offset, broken = _section(data, offset, count, names, is_multicast, field, records)
            unread += broken
        sections.append(tuple(records))
    return DnsMessage(
        length=prefix_octets + len(data),
        identifier=identifier,
        is_response=bool(flags & 0x8000),
        opcode=flags >> 11 & 0xF,
        response_code=flags & 0xF,
        authoritative=bool(flags & 0x0400),
        truncated=bool(flags & 0x0200),
        recursion_desired=bool(flags & 0x0100),
        questions=asked,
        answers=sections[0],
        authorities=sections[1],
        additionals=sections[2],
        unread_records=unread,
        names_hold_identifier=unread > 0 or 0 in names or 1 in names,
    )


def renumbered(message: Message, identifier: int) -> DnsMessage | None:
    """
    The same message with another identifier; None where its names depend on it.

    Field by field: a call with named arguments goes through a dictionary and takes
    four times as long, and most of a home's name lookups come by here.
    """
    if not isinstance(message, DnsMessage) or message.names_hold_identifier:
        return None
    if message.identifier == identifier:
        return message
    copy: Any = object.__new__(DnsMessage)
    copy.length = message.length
    copy.identifier = identifier
    copy.is_response = message.is_response
    copy.opcode = message.opcode
    copy.response_code = message.response_code
    copy.authoritative = message.authoritative
    copy.truncated = message.truncated
    copy.recursion_desired = message.recursion_desired
    copy.questions = message.questions
    copy.answers = message.answers
    copy.authorities = message.authorities
    copy.additionals = message.additionals
    copy.unread_records = message.unread_records
    copy.names_hold_identifier = False
    return cast("DnsMessage", copy)


def _questions(data: bytes, count: int, names: Names, is_multicast: bool) -> tuple[tuple[Question, ...], int]:
    offset = HEADER_OCTETS
    questions = []
    for _ in range(count):
        name, offset = read_name(data, offset, names, "question_name")
        if offset + 4 > len(data):
            raise TruncatedError("question_type", offset, f"needs 4 octets, {len(data) - offset} remain")
        record_type, record_class = _QUESTION(data, offset)
        offset += 4
        unicast = False
        if is_multicast:
            unicast = record_class >= TOP_CLASS_BIT
            record_class &= ~TOP_CLASS_BIT
        questions.append(Question(name, record_type, record_class, unicast))
    return tuple(questions), offset


def _section(
    data: bytes,
    offset: int,
    count: int,
    names: Names,
    is_multicast: bool,
    field: str,
    records: list[ResourceRecord],
) -> tuple[int, int]:
    """Append the records of one section to ``records``; return where it ends and how many were broken."""
    broken = 0
    for _ in range(count):
        name, offset = read_name(data, offset, names, field + "_name")
        start = offset + 10
        if start > len(data):
            raise TruncatedError(field + "_header", offset, f"needs 10 octets, {len(data) - offset} remain")
        record_type, record_class, time_to_live, length = _RECORD(data, offset)
        offset = start + length
        if offset > len(data):
            raise TruncatedError(
                field + "_content", start, f"needs {length} octets, {len(data) - start} remain"
            )
        flush = False
        if is_multicast and record_type != TYPE_OPT:
            flush = record_class >= TOP_CLASS_BIT
            record_class &= ~TOP_CLASS_BIT
        if time_to_live > MAX_TIME_TO_LIVE:
            time_to_live = 0
        # Contents are laid down for the internet class; an update has others, without content (RFC 2136 2.5).
        reader = _READERS.get(record_type) if record_class == CLASS_IN else None
        if reader is None:
            records.append(_record((name, record_type, record_class, flush, time_to_live, *_NO_CONTENT)))
            continue
        try:
            content = reader(data, start, offset, names)
        except DecodeError:
            broken += 1
            continue
        records.append(_record((name, record_type, record_class, flush, time_to_live, *content)))
    return offset, broken


def _ipv4(data: bytes, start: int, end: int, _names: Names) -> _Content:
    if end - start != 4:
        raise MalformedError("address", start, f"{end - start} octets, not 4")
    return Address(IPV4_MAPPED_PREFIX + data[start:end]), None, None, (), False


def _ipv6(data: bytes, start: int, end: int, _names: Names) -> _Content:
    if end - start != 16:
        raise MalformedError("address", start, f"{end - start} octets, not 16")
    return Address(data[start:end]), None, None, (), False


def _target(data: bytes, start: int, end: int, names: Names) -> _Content:
    return None, _name_until(data, start, end, names), None, (), False


def _service_location(data: bytes, start: int, end: int, names: Names) -> _Content:
    """RFC 2782 forbids a compressed target, RFC 6762 18.14 asks for one."""
    if end - start < 7:
        raise MalformedError("service", start, f"{end - start} octets")
    return None, _name_until(data, start + 6, end, names), _SERVICE(data, start)[2], (), False


def _service_binding(data: bytes, start: int, end: int, names: Names) -> _Content:
    """RFC 9460 2.2: priority, target, then parameters in ascending order, each once."""
    if end - start < 3:
        raise MalformedError("service_binding", start, f"{end - start} octets")
    target, offset = read_name(data, start + 2, names, "service_binding_target")
    has_ech, previous = False, -1
    while offset < end:
        if offset + 4 > end:
            raise MalformedError("service_parameter", offset, f"{end - offset} octets")
        key, length = _QUESTION(data, offset)
        if key <= previous:
            raise MalformedError("service_parameter", offset, f"{key} after {previous}")
        has_ech = has_ech or key == PARAMETER_ECH
        previous = key
        offset += 4 + length
    if offset != end:
        raise MalformedError("service_binding", start, f"ends at octet {offset}, not {end}")
    return None, target, None, (), has_ech


def _text(data: bytes, start: int, end: int, _names: Names) -> _Content:
    """RFC 6763 section 6; strings without a key are passed over, of equal keys the first counts (6.4)."""
    if end - start > MAX_TEXT_OCTETS:
        raise LimitError("text", start, f"{end - start} octets > {MAX_TEXT_OCTETS}")
    keys: dict[str, TextKey] = {}
    while start < end:
        stop = start + 1 + data[start]
        if stop > end:
            raise MalformedError("text", start, f"string of {data[start]} octets, {end - start - 1} remain")
        key, equals, value = data[start + 1 : stop].partition(b"=")
        start = stop
        name, folded, kind = _text_key(key)
        if not name or folded in keys:
            continue
        if kind is not None and is_plausible(kind, name, value):
            keys[folded] = TextKey(name, None, Secret(value))
        else:
            keys[folded] = TextKey(name, to_printable(value) if equals else None, None)
    return None, None, None, tuple(keys.values()), False


@lru_cache(maxsize=1024)  # keys of at most 255 octets, and the same few in all announcements
def _text_key(octets: bytes) -> tuple[str, str, str | None]:
    """Return a key as sent, folded for comparison, and the kind of secret that it holds."""
    name = to_printable(octets)
    folded = name.lower()
    return name, folded, "password" if folded in PASSWORD_KEYS else kind_of_field(name)


def _name_until(data: bytes, start: int, end: int, names: Names) -> str:
    """Read a name that must fill the rest of the content."""
    name, after = read_name(data, start, names, "target")
    if after != end:
        raise MalformedError("target", start, f"ends at octet {after}, not {end}")
    return name


_READERS = {
    TYPE_A: _ipv4,
    TYPE_AAAA: _ipv6,
    TYPE_NS: _target,
    TYPE_CNAME: _target,
    TYPE_PTR: _target,
    TYPE_DNAME: _target,
    TYPE_SRV: _service_location,
    TYPE_TXT: _text,
    TYPE_SVCB: _service_binding,
    TYPE_HTTPS: _service_binding,
}
