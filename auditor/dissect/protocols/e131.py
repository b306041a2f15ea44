"""
E1.31: lighting data over sACN.

Standard: ANSI E1.31-2018 sections 4 to 8 (tables as quoted in an open-source library's tests; not read in the
          original).
Reads:    UDP payload.
Keeps:    header fields; no levels.
"""

from __future__ import annotations

from functools import lru_cache
from struct import Struct, unpack_from

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({5568})  # IANA service name: sdt, of which E1.31 is not one; so it goes by its own name

# Root layer (section 5)
PREAMBLE_SIZE = 0x0010
POSTAMBLE_SIZE = 0
PACKET_IDENTIFIER = b"ASC-E1.17\0\0\0"
VECTOR_ROOT_DATA = 4
VECTOR_ROOT_EXTENDED = 8
# Framing layer (section 6)
VECTOR_DATA = 2
VECTOR_EXTENDED_SYNCHRONIZATION = 1
VECTOR_EXTENDED_DISCOVERY = 2
PREVIEW = 0x80  # 6.2.6
TERMINATED = 0x40
FORCED_SYNCHRONIZATION = 0x20
MAX_UNIVERSE = 63_999  # 6.2.7
# DMP layer (section 7)
VECTOR_SET_PROPERTY = 2
ADDRESS_AND_DATA_TYPE = 0xA1
MAX_PROPERTIES = 513  # a start code and 512 slots
# Universe discovery layer (section 8)
VECTOR_UNIVERSE_LIST = 1
MAX_UNIVERSES = 512  # of one page

# Flags and length stand before each layer.  The standard's own example gives
# them wrongly (appendix B), so what they claim is passed over: nothing is read
# past the datagram anyway.
_ROOT = (
    (2, "preamble_size"),
    (4, "postamble_size"),
    (16, "packet_identifier"),
    (18, "root_flags_and_length"),
    (22, "root_vector"),
    (38, "cid"),
    (40, "framing_flags_and_length"),
    (44, "framing_vector"),
)
_DATA = (
    *_ROOT,
    (108, "source_name"),
    (109, "priority"),
    (111, "synchronization_address"),
    (112, "sequence_number"),
    (113, "options"),
    (115, "universe"),
    (117, "dmp_flags_and_length"),
    (118, "dmp_vector"),
    (119, "address_and_data_type"),
    (121, "first_property_address"),
    (123, "address_increment"),
    (125, "property_value_count"),
    (126, "start_code"),
)
_SYNCHRONIZATION = (*_ROOT, (45, "sequence_number"), (47, "synchronization_address"), (49, "reserved"))
_DISCOVERY = (
    *_ROOT,
    (108, "source_name"),
    (112, "reserved"),
    (114, "discovery_flags_and_length"),
    (118, "discovery_vector"),
    (119, "page"),
    (120, "last_page"),
)

_read_root = Struct(">HH12s2xI16s2xI").unpack_from
_read_data = Struct(">BHBBH2xBBHHHB").unpack_from  # from the priority on
_PRIORITY_OFFSET = 108
_VALUES_OFFSET = 125


@value_class
class E131Data(Message):
    """A data packet (section 6)."""

    sender_identifier: bytes
    """CID, 16 octets."""
    source_name: str
    priority: int
    """As sent; 0 to 200 by 6.2.3."""
    universe: int
    """1 to 63999."""
    sequence: int
    is_preview: bool
    is_terminated: bool
    slots: int
    """Property values behind the start code."""
    start_code: int
    """0: levels; 0xDD: priorities of single slots (common practice)."""
    synchronization_universe: int = 0
    """Receivers wait for synchronization on it (6.2.4.1); 0: they do not."""
    is_synchronization_forced: bool = False
    """Whether levels wait for good when synchronization is lost (6.2.6)."""


@value_class
class E131Synchronization(Message):
    """A synchronization packet (section 6.3)."""

    sender_identifier: bytes
    universe: int
    """Synchronization address."""
    sequence: int


@value_class
class E131Discovery(Message):
    """A universe discovery packet (section 8)."""

    sender_identifier: bytes
    source_name: str
    universes: tuple[int, ...]
    page: int
    last_page: int


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing."""
    return head[4:16] == PACKET_IDENTIFIER


def parse_message(cursor: Cursor) -> E131Data | E131Synchronization | E131Discovery:
    """
    Parse one packet.

    Raises:
        DecodeError: not a packet of E1.31, or one that ends before a field does.
    """
    data = cursor.take(cursor.remaining, "packet")
    _require(data, _ROOT)
    preamble, postamble, identifier, root_vector, sender, framing_vector = _read_root(data)
    if preamble != PREAMBLE_SIZE or postamble != POSTAMBLE_SIZE:
        raise MalformedError("preamble_size", 0, f"{preamble} and {postamble}, not 16 and 0")
    if identifier != PACKET_IDENTIFIER:
        raise MalformedError("packet_identifier", 4, "another protocol of E1.17")
    if root_vector == VECTOR_ROOT_DATA and framing_vector == VECTOR_DATA:
        return _data(data, sender)
    if root_vector == VECTOR_ROOT_EXTENDED:
        if framing_vector == VECTOR_EXTENDED_SYNCHRONIZATION:
            _require(data, _SYNCHRONIZATION)
            return E131Synchronization(
                length=len(data),
                sender_identifier=sender,
                universe=int.from_bytes(data[45:47], "big"),
                sequence=data[44],
            )
        if framing_vector == VECTOR_EXTENDED_DISCOVERY:
            return _discovery(data, sender)
    raise MalformedError("framing_vector", 40, f"{framing_vector} under root vector {root_vector}")


def _data(data: bytes, sender: bytes) -> E131Data:
    _require(data, _DATA)
    (
        priority,
        synchronization,
        sequence,
        options,
        universe,
        vector,
        kind,
        first,
        increment,
        count,
        start_code,
    ) = _read_data(data, _PRIORITY_OFFSET)
    if not 1 <= universe <= MAX_UNIVERSE:
        raise MalformedError("universe", 113, f"{universe} is not 1 to {MAX_UNIVERSE}")
    if (vector, kind, first, increment) != (VECTOR_SET_PROPERTY, ADDRESS_AND_DATA_TYPE, 0, 1):
        raise MalformedError("dmp_vector", 117, f"{vector}, {kind:#x}, {first}, {increment}")
    if not 1 <= count <= MAX_PROPERTIES:
        raise MalformedError("property_value_count", 123, f"{count} is not 1 to {MAX_PROPERTIES}")
    if _VALUES_OFFSET + count > len(data):
        raise TruncatedError(
            "property_values", _VALUES_OFFSET, f"needs {count} octets, {len(data) - _VALUES_OFFSET} remain"
        )
    return E131Data(
        length=len(data),
        sender_identifier=sender,
        source_name=_source_name(data[44:108]),
        priority=priority,
        universe=universe,
        sequence=sequence,
        is_preview=bool(options & PREVIEW),
        is_terminated=bool(options & TERMINATED),
        slots=count - 1,
        start_code=start_code,
        synchronization_universe=synchronization,
        is_synchronization_forced=bool(options & FORCED_SYNCHRONIZATION),
    )


def _discovery(data: bytes, sender: bytes) -> E131Discovery:
    _require(data, _DISCOVERY)
    vector = int.from_bytes(data[114:118], "big")
    if vector != VECTOR_UNIVERSE_LIST:
        raise MalformedError("discovery_vector", 114, f"{vector}")
    octets = len(data) - 120
    if octets % 2:
        raise TruncatedError("universes", len(data) - 1, "half a universe")
    if octets > 2 * MAX_UNIVERSES:
        raise MalformedError("universes", 120, f"{octets // 2} > {MAX_UNIVERSES}")
    return E131Discovery(
        length=len(data),
        sender_identifier=sender,
        source_name=_source_name(data[44:108]),
        universes=unpack_from(f">{octets // 2}H", data, 120),
        page=data[118],
        last_page=data[119],
    )


def _require(data: bytes, fields: tuple[tuple[int, str], ...]) -> None:
    """Require that all ``fields``, each given with where it ends, are there."""
    if len(data) < fields[-1][0]:
        field = next(field for end, field in fields if end > len(data))
        raise TruncatedError(field, len(data), "the packet ends here")


@lru_cache(maxsize=256)  # names of 64 octets: a sender repeats its own in each packet, many times a second
def _source_name(octets: bytes) -> str:
    return to_printable(octets.partition(b"\0")[0])


DISSECTOR = Dissector(
    name="e131",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
