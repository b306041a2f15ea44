"""
The common external message interface: frames of a building bus as they travel over IP.

Standard: ISO/IEC 14543-3 (KNX 03_06_03 for cEMI, 03_03_07 for application services; message codes and
          services as two open-source libraries name them, not read in the original).
Keeps:    who is meant and what is asked of them; no values, but keys as sighted.
"""

from __future__ import annotations

from auditor.dissect.syntax.http_head import SightedSecret
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

# Message codes of the data link layer
REQUESTS = frozenset({0x10, 0x11, 0x13})
INDICATIONS = frozenset({0x29, 0x2B, 0x2D})
CONFIRMATIONS = frozenset({0x25, 0x2E, 0x2F})
DATA = frozenset({0x11, 0x29, 0x2E})

# Message codes of device management: what each does
PROPERTY_READ, PROPERTY_WRITE = 0xFC, 0xF6
FUNCTION_COMMAND, FUNCTION_STATE_READ = 0xF8, 0xF9
RESET = 0xF1
MANAGEMENT = {
    PROPERTY_READ: ("PropRead", "read"),
    PROPERTY_WRITE: ("PropWrite", "configuration"),
    FUNCTION_COMMAND: ("FuncPropCommand", "configuration"),
    FUNCTION_STATE_READ: ("FuncPropStateRead", "read"),
    RESET: ("Reset", "configuration"),
    0xFB: ("PropRead", "announce"),
    0xF5: ("PropWrite", "announce"),
    0xF7: ("PropInfo", "announce"),
    0xFA: ("FuncProp", "announce"),
    0xF0: ("Reset", "announce"),
}
MANAGEMENT_REQUESTS = frozenset({PROPERTY_READ, PROPERTY_WRITE, FUNCTION_COMMAND, FUNCTION_STATE_READ, RESET})
WITHOUT_PROPERTY = frozenset({0xF0, 0xF1})

GROUP_ADDRESS = 0x80  # of the second control octet
EXTENDED_FORMAT = 0x0F  # of it: 0, or the destination is none of the two kinds
TRANSPORT_CONTROL = 0x80  # of the transport octet: a connection is opened, closed or acknowledged

AUTHORIZE, WRITE_KEY = 0x3D1, 0x3D3
NO_KEY = b"\xff\xff\xff\xff"  # what devices without a key accept
DATA_SECURED = 0x3F1

# Application services of ten bits.  Where only four are the service, the other six are data and 0 here.
SERVICES = {
    0x000: ("GroupValueRead", "read"),
    0x040: ("GroupValueResponse", "announce"),
    0x080: ("GroupValueWrite", "light"),
    0x0C0: ("IndividualAddressWrite", "configuration"),
    0x100: ("IndividualAddressRead", "read"),
    0x140: ("IndividualAddressResponse", "announce"),
    0x180: ("ADCRead", "read"),
    0x1C0: ("ADCResponse", "announce"),
    0x1C8: ("SystemNetworkParameterRead", "read"),
    0x1C9: ("SystemNetworkParameterResponse", "announce"),
    0x1CA: ("SystemNetworkParameterWrite", "configuration"),
    0x1CC: ("PropertyExtValueRead", "read"),
    0x1CD: ("PropertyExtValueResponse", "announce"),
    0x1CE: ("PropertyExtValueWriteCon", "configuration"),
    0x1CF: ("PropertyExtValueWriteConRes", "announce"),
    0x1D0: ("PropertyExtValueWriteUnCon", "configuration"),
    0x1D1: ("PropertyExtValueInfoReport", "announce"),
    0x1D2: ("PropertyExtDescriptionRead", "read"),
    0x1D3: ("PropertyExtDescriptionResponse", "announce"),
    0x1D4: ("FunctionPropertyExtCommand", "configuration"),
    0x1D5: ("FunctionPropertyExtStateRead", "read"),
    0x1D6: ("FunctionPropertyExtStateResponse", "announce"),
    0x1FB: ("MemoryExtendedWrite", "configuration"),
    0x1FC: ("MemoryExtendedWriteResponse", "announce"),
    0x1FD: ("MemoryExtendedRead", "read"),
    0x1FE: ("MemoryExtendedReadResponse", "announce"),
    0x200: ("MemoryRead", "read"),
    0x240: ("MemoryResponse", "announce"),
    0x280: ("MemoryWrite", "configuration"),
    0x2C0: ("UserMemoryRead", "read"),
    0x2C1: ("UserMemoryResponse", "announce"),
    0x2C2: ("UserMemoryWrite", "configuration"),
    0x2C4: ("UserMemoryBitWrite", "configuration"),
    0x2C5: ("UserManufacturerInfoRead", "read"),
    0x2C6: ("UserManufacturerInfoResponse", "announce"),
    0x2C7: ("FunctionPropertyCommand", "configuration"),
    0x2C8: ("FunctionPropertyStateRead", "read"),
    0x2C9: ("FunctionPropertyStateResponse", "announce"),
    0x300: ("DeviceDescriptorRead", "read"),
    0x340: ("DeviceDescriptorResponse", "announce"),
    0x380: ("Restart", "configuration"),
    0x381: ("RestartMasterReset", "configuration"),
    0x3A1: ("RestartMasterResetResponse", "announce"),
    0x3C0: ("FilterTableOpen", "configuration"),
    0x3C1: ("FilterTableRead", "read"),
    0x3C2: ("FilterTableResponse", "announce"),
    0x3C3: ("FilterTableWrite", "configuration"),
    0x3C8: ("RouterMemoryRead", "read"),
    0x3C9: ("RouterMemoryResponse", "announce"),
    0x3CA: ("RouterMemoryWrite", "configuration"),
    0x3CD: ("RouterStatusRead", "read"),
    0x3CE: ("RouterStatusResponse", "announce"),
    0x3CF: ("RouterStatusWrite", "configuration"),
    0x3D0: ("MemoryBitWrite", "configuration"),
    AUTHORIZE: ("AuthorizeRequest", "other"),
    0x3D2: ("AuthorizeResponse", "announce"),
    WRITE_KEY: ("KeyWrite", "configuration"),
    0x3D4: ("KeyResponse", "announce"),
    0x3D5: ("PropertyValueRead", "read"),
    0x3D6: ("PropertyValueResponse", "announce"),
    0x3D7: ("PropertyValueWrite", "configuration"),
    0x3D8: ("PropertyDescriptionRead", "read"),
    0x3D9: ("PropertyDescriptionResponse", "announce"),
    0x3DA: ("NetworkParameterRead", "read"),
    0x3DB: ("NetworkParameterResponse", "announce"),
    0x3DC: ("IndividualAddressSerialNumberRead", "read"),
    0x3DD: ("IndividualAddressSerialNumberResponse", "announce"),
    0x3DE: ("IndividualAddressSerialNumberWrite", "configuration"),
    0x3E0: ("DomainAddressWrite", "configuration"),
    0x3E1: ("DomainAddressRead", "read"),
    0x3E2: ("DomainAddressResponse", "announce"),
    0x3E3: ("DomainAddressSelectiveRead", "read"),
    0x3E4: ("NetworkParameterWrite", "configuration"),
    0x3E5: ("LinkRead", "read"),
    0x3E6: ("LinkResponse", "announce"),
    0x3E7: ("LinkWrite", "configuration"),
    0x3E8: ("GroupPropValueRead", "read"),
    0x3E9: ("GroupPropValueResponse", "announce"),
    0x3EA: ("GroupPropValueWrite", "light"),
    0x3EB: ("GroupPropValueInfoReport", "announce"),
    0x3EC: ("DomainAddressSerialNumberRead", "read"),
    0x3ED: ("DomainAddressSerialNumberResponse", "announce"),
    0x3EE: ("DomainAddressSerialNumberWrite", "configuration"),
    0x3F0: ("FileStreamInfoReport", "announce"),
    DATA_SECURED: ("SecureService", "other"),
}
SHORT_SERVICES = frozenset({0x000, 0x040, 0x080, 0x180, 0x1C0, 0x200, 0x240, 0x280, 0x300, 0x340})
"""Services of four bits; their six others are data."""
SERVICE_BITS = 0x3C0


@value_class
class BusMessage:
    """One frame."""

    message_code: int
    direction: str
    """``request`` (to the bus or the device), ``confirmation`` (of a request), ``indication`` (from the bus),
    ``other``."""
    meaning: str
    """What the service does to whom it is addressed: ``read``, ``light`` (a group value is written),
    ``configuration``, ``announce`` (an answer or report), ``other``."""
    service: int | None = None
    """APCI of ten bits, data bits 0; None: none, or one that nobody assigned."""
    service_name: str | None = None
    source: int | None = None
    """Individual address."""
    destination: int | None = None
    is_group: bool = False
    """Whether the destination is a group address."""
    property_identifier: int | None = None
    """Of device management."""
    object_type: int | None = None
    is_data_secured: bool = False
    """The service itself is enciphered."""
    secrets: tuple[SightedSecret, ...] = ()


def format_group_address(address: int) -> str:
    """Three levels of 5, 3 and 8 bits (03_05_01); ``1/2/3``."""
    return f"{address >> 11}/{address >> 8 & 0x7}/{address & 0xFF}"


def format_individual_address(address: int) -> str:
    """Area, line and device of 4, 4 and 8 bits; ``1.1.5``."""
    return f"{address >> 12}.{address >> 8 & 0xF}.{address & 0xFF}"


def parse_bus_message(cursor: Cursor) -> BusMessage:
    """
    Parse the frame that fills the cursor's block.

    Raises:
        DecodeError: it ends before a field does, or goes on behind its service.
    """
    code = cursor.uint(1, "message_code")
    if code in MANAGEMENT:
        return _management(cursor, code)
    direction = "other"
    if code in REQUESTS:
        direction = "request"
    elif code in INDICATIONS:
        direction = "indication"
    elif code in CONFIRMATIONS:
        direction = "confirmation"
    if code not in DATA:
        return BusMessage(message_code=code, direction=direction, meaning="other")
    cursor.take(cursor.uint(1, "additional_information_length"), "additional_information")
    control = cursor.uint(2, "control")
    source = cursor.uint(2, "source")
    destination = cursor.uint(2, "destination")
    length = cursor.uint(1, "length")
    # The transport octet is not counted by the length.
    unit = cursor.block(length + 1, "transport_unit")
    cursor.finish("transport_unit")
    has_address = not control & EXTENDED_FORMAT
    service, name, meaning, secrets = _service(unit)
    return BusMessage(
        message_code=code,
        direction=direction,
        meaning=meaning,
        service=service,
        service_name=name,
        source=source,
        destination=destination if has_address else None,
        is_group=has_address and bool(control & GROUP_ADDRESS),
        is_data_secured=service == DATA_SECURED,
        secrets=secrets,
    )


def _management(cursor: Cursor, code: int) -> BusMessage:
    name, meaning = MANAGEMENT[code]
    direction = "request" if code in MANAGEMENT_REQUESTS else "confirmation"
    if code in WITHOUT_PROPERTY:
        return BusMessage(message_code=code, direction=direction, meaning=meaning, service_name=name)
    object_type = cursor.uint(2, "object_type")
    cursor.take(1, "object_instance")
    return BusMessage(
        message_code=code,
        direction=direction,
        meaning=meaning,
        service_name=name,
        object_type=object_type,
        property_identifier=cursor.uint(1, "property_identifier"),
    )


def _service(unit: Cursor) -> tuple[int | None, str | None, str, tuple[SightedSecret, ...]]:
    """The application service of a transport unit: number, name, meaning, and the key it holds."""
    first = unit.uint(1, "transport_control")
    if first & TRANSPORT_CONTROL:
        return None, None, "other", ()
    number = (first & 0x03) << 8 | unit.uint(1, "application_service")
    if number not in SERVICES:
        number &= SERVICE_BITS
        if number not in SHORT_SERVICES:
            return None, None, "other", ()
    name, meaning = SERVICES[number]
    secrets: tuple[SightedSecret, ...] = ()
    if number in (AUTHORIZE, WRITE_KEY):
        unit.take(1, "access_level")
        key = unit.take(4, "key")
        if key != NO_KEY:
            secrets = (SightedSecret(kind="password", place="knx-key", field="key", secret=Secret(key)),)
    return number, name, meaning, secrets
