"""
Art-Net.

Standard: Art-Net 4 as published by its owner (field tables from memory and from open-source libraries);
          ANSI E1.20 section 6.2 for what RDM packets carry (from memory).
Reads:    UDP payload.
Keeps:    header fields and names; no levels, no parameter data.
"""

from __future__ import annotations

from auditor.addresses import IPV4_MAPPED_PREFIX, Address
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.printable import to_printable
from auditor.errors import MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({6454})  # not registered with IANA

IDENTIFIER = b"Art-Net\0"

# Operation codes
POLL = 0x2000
POLL_REPLY = 0x2100
DIAGNOSTICS = 0x2300
COMMAND = 0x2400
DATA_REQUEST = 0x2700
DATA_REPLY = 0x2800
DMX = 0x5000
NON_ZERO_START = 0x5100
SYNCHRONIZE = 0x5200
ADDRESS = 0x6000
INPUT = 0x7000
DEVICES_REQUEST = 0x8000  # the table of devices, found by RDM
DEVICES = 0x8100
DEVICES_CONTROL = 0x8200
RDM = 0x8300
RDM_SUB = 0x8400
TIME_CODE = 0x9700
TRIGGER = 0x9900
FIRMWARE = 0xF200
FILE_UPLOAD = 0xF400
FILE_DOWNLOAD = 0xF500
FILE_DOWNLOAD_REPLY = 0xF600
IP_PROGRAM = 0xF800
IP_PROGRAM_REPLY = 0xF900

EFFECTS = {
    POLL: "read",
    POLL_REPLY: "announce",
    DIAGNOSTICS: "announce",
    COMMAND: "configuration",
    DATA_REQUEST: "read",
    DATA_REPLY: "announce",
    DMX: "light",
    NON_ZERO_START: "light",
    SYNCHRONIZE: "light",
    ADDRESS: "configuration",
    INPUT: "configuration",
    DEVICES_REQUEST: "read",
    DEVICES: "announce",
    TRIGGER: "light",
    FIRMWARE: "firmware",
    FILE_UPLOAD: "configuration",
    FILE_DOWNLOAD: "read",
    FILE_DOWNLOAD_REPLY: "announce",
    IP_PROGRAM_REPLY: "announce",
}

# Command classes of RDM (E1.20 table A-1) and what each does; a parameter that shows a device is light.
RDM_EFFECTS = {
    0x10: "read",
    0x11: "announce",
    0x20: "read",
    0x21: "announce",
    0x30: "configuration",
    0x31: "announce",
}
RDM_SET = 0x30
RDM_LIGHT_PARAMETERS = frozenset(
    {0x1000, 0x1020, 0x1030, 0x1031}
)  # identify, self-test, capture and play presets

# Command of the IP programming packet: the first bit permits, the others say what.
PROGRAMMING_ENABLED = 0x80
PROGRAMMED = 0x40 | 0x10 | 0x08 | 0x04 | 0x02 | 0x01  # DHCP, gateway, defaults, address, mask, port

# Packet that sets names and addresses (ArtAddress): a switch keeps its value but with one of these.
PROGRAM_SWITCH = 0x80
RESET_SWITCH = 0
LIGHT_COMMANDS = frozenset(range(0x90, 0x94))  # clear the output of a port

MAX_SLOTS = 512  # values of one universe (ANSI E1.11)

_SHORT_NAME = slice(26, 44)
_LONG_NAME = slice(44, 108)
_LINK = slice(201, 207)

# Where each field ends that must be there, by what the packet is.
_COMMON = ((8, "identifier"), (10, "operation"))
_DMX = (*_COMMON, (12, "version"), (13, "sequence"), (14, "physical"), (16, "port_address"), (18, "length"))
_POLL_REPLY = (
    *_COMMON,
    (14, "address"),
    (16, "port"),
    (18, "firmware_version"),
    (20, "switches"),
    (26, "identification"),
    (44, "short_name"),
    (108, "long_name"),
)
_IP_PROGRAM = (*_COMMON, (12, "version"), (14, "filler"), (15, "command"))
_OTHER = (*_COMMON, (12, "version"))
_RDM = (
    *_OTHER,
    (13, "rdm_version"),
    (21, "spare"),
    (24, "address"),
    (43, "rdm_header"),
    (44, "command_class"),
    (46, "parameter"),
)
_RDM_SUB = (*_OTHER, (13, "rdm_version"), (20, "device"), (22, "command_class"), (24, "parameter"))
_SET_SHORT_NAME = slice(14, 32)
_SET_LONG_NAME = slice(32, 96)
_SET_SWITCHES = slice(96, 104)
_SET_COMMAND = 105


@value_class
class ArtNetMessage(Message):
    """Any Art-Net packet; the fields of its operation are filled."""

    operation: int
    """OpCode: 0x2000 poll, 0x2100 poll reply, 0x2400 command, 0x5000 data, 0x6000 address, 0x8300 RDM,
    0xf200 firmware, 0xf800 IP settings …"""
    effect: str
    """``read`` (poll, requests), ``announce`` (replies, diagnostics), ``light`` (data, sync, trigger),
    ``configuration`` (address, input, command, files, RDM that sets, IP settings that program something),
    ``firmware``, ``other`` (time code, control of the table of devices)."""
    universe: int | None = None
    """15-bit port-address of data."""
    slots: int | None = None
    sequence: int | None = None
    short_name: str | None = None
    """Poll reply; or the name that an address packet sets."""
    long_name: str | None = None
    node_address: Address | None = None
    """Poll reply."""
    node_link: bytes | None = None
    """Poll reply: six octets where sent."""
    firmware_version: int | None = None
    changes: tuple[str, ...] = ()
    """What an address packet sets: ``short-name``, ``long-name``, ``port-address``, ``command``."""
    command: int | None = None
    """Of an address packet; 0: none."""
    rdm_command_class: int | None = None
    """0x10 discovery, 0x20 get, 0x30 set, each with its response one higher."""
    rdm_parameter: int | None = None


def looks_like(head: bytes) -> bool:
    """Whether a datagram that begins with ``head`` is worth parsing."""
    return head.startswith(IDENTIFIER)


def parse_message(cursor: Cursor) -> ArtNetMessage:
    """
    Parse one packet.

    Raises:
        DecodeError: not a packet of this protocol, or one that ends before a field
            that we keep does.
    """
    data = cursor.take(cursor.remaining, "packet")
    _require(data, _COMMON)
    if not data.startswith(IDENTIFIER):
        raise MalformedError("identifier", 0, "another protocol")
    operation = int.from_bytes(data[8:10], "little")
    if operation in (DMX, NON_ZERO_START):
        return _levels(data, operation)
    if operation == POLL_REPLY:
        return _poll_reply(data)
    if operation == IP_PROGRAM:
        _require(data, _IP_PROGRAM)
        programs = data[14] & PROGRAMMING_ENABLED and data[14] & PROGRAMMED
        effect = "configuration" if programs else "read"
    elif operation == ADDRESS:
        return _address(data)
    elif operation in (RDM, RDM_SUB):
        return _rdm(data, operation)
    else:
        _require(data, _OTHER)
        effect = EFFECTS.get(operation, "other")
    return ArtNetMessage(length=len(data), operation=operation, effect=effect)


def _levels(data: bytes, operation: int) -> ArtNetMessage:
    """Read the head of a packet of levels; octet 13 is an input or a start code, by operation."""
    _require(data, _DMX)
    slots = int.from_bytes(data[16:18], "big")
    if slots > MAX_SLOTS:
        raise MalformedError("length", 16, f"{slots} > {MAX_SLOTS}")
    if 18 + slots > len(data):
        raise TruncatedError("data", 18, f"needs {slots} octets, {len(data) - 18} remain")
    return ArtNetMessage(
        length=len(data),
        operation=operation,
        effect=EFFECTS[operation],
        universe=(data[15] & 0x7F) << 8 | data[14],
        slots=slots,
        sequence=data[12],
    )


def _address(data: bytes) -> ArtNetMessage:
    """Read a packet that sets names, addresses or a state; older ones end early and are told all the same."""
    _require(data, _OTHER)
    short_name, long_name = _name(data[_SET_SHORT_NAME]), _name(data[_SET_LONG_NAME])
    command = data[_SET_COMMAND] if len(data) > _SET_COMMAND else None
    switches = data[12:13] + data[_SET_SWITCHES]  # of the net, then of inputs and outputs
    changes = {
        "short-name": bool(short_name),
        "long-name": bool(long_name),
        "port-address": any(switch & PROGRAM_SWITCH or switch == RESET_SWITCH for switch in switches),
        "command": bool(command),
    }
    changed = tuple(name for name, is_set in changes.items() if is_set)
    effect = EFFECTS[ADDRESS]
    if changed == ("command",) and command in LIGHT_COMMANDS:
        effect = "light"
    elif not changed and command is not None:
        effect = "read"  # the node answers as to a poll
    return ArtNetMessage(
        length=len(data),
        operation=ADDRESS,
        effect=effect,
        short_name=short_name or None,
        long_name=long_name or None,
        changes=changed,
        command=command,
    )


def _rdm(data: bytes, operation: int) -> ArtNetMessage:
    """Read what an RDM packet asks of a device behind the node; its start code is left out on the way."""
    _require(data, _RDM if operation == RDM else _RDM_SUB)
    at = 43 if operation == RDM else 21
    command_class, parameter = data[at], int.from_bytes(data[at + 1 : at + 3], "big")
    effect = RDM_EFFECTS.get(command_class, "other")
    if command_class == RDM_SET and parameter in RDM_LIGHT_PARAMETERS:
        effect = "light"
    return ArtNetMessage(
        length=len(data),
        operation=operation,
        effect=effect,
        rdm_command_class=command_class,
        rdm_parameter=parameter,
    )


def _poll_reply(data: bytes) -> ArtNetMessage:
    """Read an answer to a poll; it has no version, and older ones end before the link address."""
    _require(data, _POLL_REPLY)
    address = data[10:14]
    return ArtNetMessage(
        length=len(data),
        operation=POLL_REPLY,
        effect=EFFECTS[POLL_REPLY],
        short_name=_name(data[_SHORT_NAME]),
        long_name=_name(data[_LONG_NAME]),
        node_address=Address(IPV4_MAPPED_PREFIX + address) if any(address) else None,
        node_link=data[_LINK] if len(data) >= _LINK.stop else None,
        firmware_version=int.from_bytes(data[16:18], "big"),
    )


def _require(data: bytes, fields: tuple[tuple[int, str], ...]) -> None:
    """Require that all ``fields``, each given with where it ends, are there."""
    if len(data) < fields[-1][0]:
        field = next(field for end, field in fields if end > len(data))
        raise TruncatedError(field, len(data), "the packet ends here")


def _name(octets: bytes) -> str:
    return to_printable(octets.partition(b"\0")[0])


DISSECTOR = Dissector(
    name="artnet",
    transport="udp",
    ports=PORTS,
    looks_like=looks_like,
    parse_datagram=parse_message,
)
