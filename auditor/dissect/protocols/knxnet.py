"""
KNXnet/IP: building control over IP.

Standard: ISO/IEC 14543-3 (KNX 03_08_02 core, 03_08_03 device management, 03_08_04 tunnelling, 03_08_05
          routing, 03_08_09 security; layouts as two open-source libraries have them, not read there).
Reads:    UDP payload and TCP streams; to many by 224.0.23.12.
Keeps:    the service, who is meant, what devices tell about themselves; no values.

Nothing but the services of the security family is enciphered or needs a key.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.cemi import BusMessage, parse_bus_message
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

NAME = "efcp"  # IANA service name of port 3671; EIBnet is what KNXnet/IP was called then
PORTS = frozenset({3671})

HEADER = b"\x06\x10"  # its own length, and version 1.0
HEADER_OCTETS = 6

SEARCH_REQUEST, SEARCH_RESPONSE = 0x0201, 0x0202
DESCRIPTION_REQUEST, DESCRIPTION_RESPONSE = 0x0203, 0x0204
CONNECT_REQUEST, CONNECT_RESPONSE = 0x0205, 0x0206
SEARCH_REQUEST_EXTENDED, SEARCH_RESPONSE_EXTENDED = 0x020B, 0x020C
DEVICE_CONFIGURATION_REQUEST, DEVICE_CONFIGURATION_ACK = 0x0310, 0x0311
TUNNELLING_REQUEST, TUNNELLING_ACK = 0x0420, 0x0421
ROUTING_INDICATION, ROUTING_LOST, ROUTING_BUSY, ROUTING_SYSTEM_BROADCAST = 0x0530, 0x0531, 0x0532, 0x0533
SECURE_WRAPPER = 0x0950

SERVICES = {
    SEARCH_REQUEST: ("search", "read"),
    SEARCH_RESPONSE: ("search-response", "announce"),
    DESCRIPTION_REQUEST: ("description", "read"),
    DESCRIPTION_RESPONSE: ("description-response", "announce"),
    CONNECT_REQUEST: ("connect", "other"),
    CONNECT_RESPONSE: ("connect-response", "other"),
    0x0207: ("connection-state", "other"),
    0x0208: ("connection-state-response", "other"),
    0x0209: ("disconnect", "other"),
    0x020A: ("disconnect-response", "other"),
    SEARCH_REQUEST_EXTENDED: ("search-extended", "read"),
    SEARCH_RESPONSE_EXTENDED: ("search-extended-response", "announce"),
    DEVICE_CONFIGURATION_REQUEST: ("device-configuration", "other"),
    DEVICE_CONFIGURATION_ACK: ("device-configuration-acknowledgement", "other"),
    TUNNELLING_REQUEST: ("tunnelling", "other"),
    TUNNELLING_ACK: ("tunnelling-acknowledgement", "other"),
    0x0422: ("tunnelling-feature-get", "read"),
    0x0423: ("tunnelling-feature-response", "announce"),
    0x0424: ("tunnelling-feature-set", "other"),  # of the tunnel alone
    0x0425: ("tunnelling-feature-info", "announce"),
    ROUTING_INDICATION: ("routing", "other"),
    ROUTING_LOST: ("routing-lost", "announce"),
    ROUTING_BUSY: ("routing-busy", "announce"),
    ROUTING_SYSTEM_BROADCAST: ("routing-system-broadcast", "other"),
    0x0740: ("remote-diagnostics", "read"),
    0x0741: ("remote-diagnostics-response", "announce"),
    0x0742: ("remote-configuration", "configuration"),
    0x0743: ("remote-reset", "configuration"),
    SECURE_WRAPPER: ("secure-wrapper", "other"),
    0x0951: ("secure-session", "other"),
    0x0952: ("secure-session-response", "other"),
    0x0953: ("secure-session-authenticate", "other"),
    0x0954: ("secure-session-status", "other"),
    0x0955: ("secure-timer", "other"),
}
"""What each service is called here, and what it does; of those that carry a bus message, that says what."""

SECURE_FAMILY = 0x09
CONNECTED = frozenset({0x0310, 0x0311, 0x0420, 0x0421, 0x0422, 0x0423, 0x0424, 0x0425})
"""Services that begin with a connection header: length 4, channel, sequence, status."""
WITH_STATUS = frozenset({DEVICE_CONFIGURATION_ACK, TUNNELLING_ACK})
WITH_BUS_MESSAGE = frozenset(
    {DEVICE_CONFIGURATION_REQUEST, TUNNELLING_REQUEST, ROUTING_INDICATION, ROUTING_SYSTEM_BROADCAST}
)
ANSWERS = frozenset({0x0202, 0x0204, 0x0206, 0x0208, 0x020A, 0x020C, 0x0423, 0x0425, 0x0741, 0x0952, 0x0954})
ASKS = frozenset(
    {0x0201, 0x0203, 0x0205, 0x0207, 0x020B, 0x0422, 0x0424, 0x0740, 0x0742, 0x0743, 0x0951, 0x0953}
)

CONNECTION_HEADER_OCTETS = 4
ENDPOINT_OCTETS = 8  # length, transport, IPv4 address, port
DEVICE_INFORMATION, SERVICE_FAMILIES = 0x01, 0x02  # description blocks
DEVICE_INFORMATION_OCTETS = 54
MAX_BLOCKS = 64  # of one description; eleven kinds are assigned
MAX_FAMILIES = 64  # service families kept; ten are assigned
LEAST_OCTETS = {
    # Session, sequence, serial number, tag, the shortest service enciphered, authentication code.
    SECURE_WRAPPER: 2 + 6 + 6 + 2 + HEADER_OCTETS + 16,
    0x0951: ENDPOINT_OCTETS + 32,  # and a public key
    0x0952: 2,  # the session; public key and authentication code where there is one
    0x0953: 2 + 16,  # user, authentication code
    0x0955: 6 + 6 + 2 + 16,  # timer, serial number, tag, authentication code
}


@value_class
class KnxDevice:
    """What a device tells about itself (description blocks 01 and 02)."""

    name: str
    individual_address: int
    serial_number: bytes
    """Six octets."""
    link_address: bytes
    in_programming_mode: bool
    """It takes an individual address from whoever offers one."""
    families: tuple[tuple[int, int], ...]
    """Service families and their versions; 9: it can be made to demand security."""


@value_class
class KnxnetMessage(Message):
    """One service."""

    service: int
    kind: str
    """``search``, ``connect``, ``tunnelling``, ``routing``, ``secure-wrapper`` …: see ``SERVICES``."""
    effect: str
    """``read``, ``light`` (a group value is written), ``configuration``, ``announce`` (an answer or report),
    ``other`` (of the connection alone, or enciphered)."""
    is_secured: bool
    """One of the security family: enciphered, or on the way to it."""
    from_client: bool | None
    """Who says such a thing; None: both sides do."""
    channel: int | None = None
    status: int | None = None
    """Of answers and acknowledgements: 0 is success.  Of a secure session: 0 authenticated, 1 failed,
    2 not authenticated, 3 too late, 4 kept alive, 5 closed."""
    connection_type: int | None = None
    """Of a connect request: 3 device management, 4 tunnelling, 6 logging, 7 remote configuration,
    8 objects."""
    bus_message: BusMessage | None = None
    device: KnxDevice | None = None


def looks_like(head: bytes) -> bool:
    """Whether octets that begin with ``head`` are worth parsing."""
    return (
        head[:2] == HEADER
        and len(head) >= HEADER_OCTETS
        and int.from_bytes(head[2:4], "big") in SERVICES
        and int.from_bytes(head[4:6], "big") >= HEADER_OCTETS
    )


def client_speaks(head: bytes) -> bool | None:
    """Whether a client says what begins so; None: both sides may."""
    service = int.from_bytes(head[2:4], "big")
    return True if service in ASKS else False if service in ANSWERS else None


def parse_datagram(cursor: Cursor) -> KnxnetMessage:
    """
    Parse one datagram.

    Raises:
        DecodeError: another version, an unknown service, or a length that is not
            that of the datagram.
    """
    message = _message(cursor)
    cursor.finish("total_length")
    return message


def parse_stream(cursor: Cursor, _from_client: bool, _conversation: Conversation) -> KnxnetMessage:
    """
    Parse the service at the cursor.

    Raises:
        DecodeError: as ``parse_datagram``; ``TruncatedError`` also where it is not
            there as a whole yet.
    """
    return _message(cursor)


def _message(cursor: Cursor) -> KnxnetMessage:
    header = cursor.take(2, "header")
    if header != HEADER:
        raise MalformedError("header", 0, f"length {header[0]} and version {header[1]:#x}, not 6 and 0x10")
    service = cursor.uint(2, "service")
    if service not in SERVICES:
        raise MalformedError("service", 2, f"{service:#06x}")
    total = cursor.uint(2, "total_length")
    if total < HEADER_OCTETS:
        raise MalformedError("total_length", 4, f"{total} is less than the header")
    body = cursor.block(total - HEADER_OCTETS, "body")
    kind, effect = SERVICES[service]
    channel = status = connection_type = None
    bus_message: BusMessage | None = None
    device: KnxDevice | None = None
    if service in CONNECTED:
        channel, status = _connection_header(body)
        if service not in WITH_STATUS:
            status = None  # the octet is reserved
    if service in WITH_BUS_MESSAGE:
        bus_message = parse_bus_message(body)
        effect = _effect(bus_message, is_routed=service not in CONNECTED)
    elif service >> 8 == SECURE_FAMILY:
        status = _secure(body, service)
    elif service >> 8 == 0x02:
        channel, status, connection_type, device = _core(body, service)
    elif service in (ROUTING_LOST, ROUTING_BUSY):
        body.take(_structure_length(body, 4) - 1, "state")
    from_client = True if service in ASKS else False if service in ANSWERS else None
    return KnxnetMessage(
        length=total,
        service=service,
        kind=kind,
        effect=effect,
        is_secured=service >> 8 == SECURE_FAMILY,
        from_client=from_client,
        channel=channel,
        status=status,
        connection_type=connection_type,
        bus_message=bus_message,
        device=device,
    )


def _effect(message: BusMessage, *, is_routed: bool) -> str:
    """
    What a bus message does here.

    Routed ones reach every device.  In a tunnel only requests do; what comes
    back reports what others did on the bus, or confirms.
    """
    if is_routed or message.direction == "request":
        return message.meaning
    return "announce" if message.direction in ("indication", "confirmation") else "other"


def _connection_header(body: Cursor) -> tuple[int, int]:
    """Channel and status."""
    length = body.uint(1, "connection_header_length")
    if length != CONNECTION_HEADER_OCTETS:
        raise MalformedError("connection_header_length", body.offset - 1, f"{length}, not 4")
    channel = body.uint(1, "channel")
    body.take(1, "sequence")
    return channel, body.uint(1, "status")


def _core(body: Cursor, service: int) -> tuple[int | None, int | None, int | None, KnxDevice | None]:
    """Channel, status, connection type and description of a core service."""
    if service in (SEARCH_REQUEST, SEARCH_REQUEST_EXTENDED, DESCRIPTION_REQUEST):
        _endpoint(body)
    elif service in (SEARCH_RESPONSE, SEARCH_RESPONSE_EXTENDED):
        _endpoint(body)
        return None, None, None, _description(body)
    elif service == DESCRIPTION_RESPONSE:
        return None, None, None, _description(body)
    elif service == CONNECT_REQUEST:
        _endpoint(body)
        _endpoint(body)
        information = body.block(_structure_length(body, 2) - 1, "connection_request")
        return None, None, information.uint(1, "connection_type"), None
    else:
        return body.uint(1, "channel"), body.uint(1, "status") if service in ANSWERS else None, None, None
    return None, None, None, None


def _endpoint(body: Cursor) -> None:
    body.take(_structure_length(body, ENDPOINT_OCTETS) - 1, "endpoint")


def _structure_length(body: Cursor, least: int) -> int:
    """The length before a structure, which counts itself."""
    length = body.uint(1, "structure_length")
    if length < least:
        raise MalformedError("structure_length", body.offset - 1, f"{length} is less than {least}")
    return length


def _description(body: Cursor) -> KnxDevice | None:
    """What the description blocks say."""
    information: bytes | None = None
    families: list[tuple[int, int]] = []
    blocks = 0
    while body.remaining:
        blocks += 1
        if blocks > MAX_BLOCKS:
            raise LimitError("description_block", body.offset, f"more than {MAX_BLOCKS}")
        block = body.block(_structure_length(body, 2) - 1, "description_block")
        kind = block.uint(1, "description_type")
        if kind == DEVICE_INFORMATION and information is None:
            information = block.take(DEVICE_INFORMATION_OCTETS - 2, "device_information")
        elif kind == SERVICE_FAMILIES:
            while block.remaining and len(families) < MAX_FAMILIES:
                families.append((block.uint(1, "service_family"), block.uint(1, "family_version")))
    if information is None:
        return None
    return KnxDevice(
        name=to_printable(information[22:52].partition(b"\0")[0].decode("latin-1").encode()),
        individual_address=int.from_bytes(information[2:4], "big"),
        serial_number=information[6:12],
        link_address=information[16:22],
        in_programming_mode=bool(information[1] & 1),
        families=tuple(families),
    )


def _secure(body: Cursor, service: int) -> int | None:
    """Require the fields of a service of the security family; gives the status of a session."""
    if service == 0x0954:
        status = body.uint(1, "session_status")
        body.take(1, "reserved")
        return status
    body.take(LEAST_OCTETS[service], "secured")
    return None


DISSECTORS = (
    Dissector(
        name=NAME,
        transport="udp",
        ports=PORTS,
        looks_like=looks_like,
        parse_datagram=parse_datagram,
    ),
    Dissector(
        name=NAME,
        transport="tcp",
        ports=PORTS,
        looks_like=looks_like,
        parse_stream=parse_stream,
        client_speaks=client_speaks,
        beginnings=(HEADER,),
    ),
)
