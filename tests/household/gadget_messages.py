"""
Messages of the household's further gadgets, from field values: shells, files, CoAP, WebSocket, show control, doors.

Standards are named at each function.  Written by hand so that recordings do not change with a library's version.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from tests.household.octets import packed

TELNET_OPENING = bytes.fromhex("fffd18fffd20fffb01")  # DO terminal type, DO speed, WILL echo (RFC 854, 1091, 1079, 857)
SSH_IDENTIFICATION = b"SSH-2.0-smallssh_2022.83\r\n"  # RFC 4253 4.2


def coap(code: int, message_id: int, token: bytes, path: Sequence[str] = (), payload: bytes = b"", *,
         message_type: int = 0, content_format: int | None = None) -> bytes:  # fmt: skip
    """RFC 7252 section 3: header, token, options Uri-Path (11) and Content-Format (12), payload marker."""
    options, last = b"", 0
    wanted = [(11, part.encode()) for part in path]
    if content_format is not None:
        wanted.append((12, bytes([content_format])))
    for number, value in wanted:
        assert max(number - last, len(value)) < 13, "short forms alone (3.1)"
        options += bytes([(number - last) << 4 | len(value)]) + value
        last = number
    head = struct.pack("!BBH", 0x40 | message_type << 4 | len(token), code, message_id)
    return head + token + options + (b"\xff" + payload if payload else b"")


def websocket_text(text: bytes, mask: bytes | None = None) -> bytes:
    """One text frame; clients mask (RFC 6455 5.2 and 5.3)."""
    assert len(text) < 126
    if mask is None:
        return bytes([0x81, len(text)]) + text
    return bytes([0x81, 0x80 | len(text)]) + mask + bytes(o ^ mask[n % 4] for n, o in enumerate(text))


def ddp(sequence: int, levels: bytes, *, destination: int = 1) -> bytes:
    """Version 1 with push, RGB of 8 bits (from memory of the published description; vector ddp-rgb-push)."""
    return struct.pack("!BBBBIH", 0x41, sequence & 0x0F, 0x0B, destination, 0, len(levels)) + levels


def osc_float(address: str, value: float) -> bytes:
    """A message with one number (OSC 1.0: strings end with 0 and are padded to four octets)."""

    def text(word: str) -> bytes:
        octets = word.encode() + b"\0"
        return octets + bytes(-len(octets) % 4)

    return text(address) + text(",f") + struct.pack("!f", value)


def knx_routing_write(group: int, value: int) -> bytes:
    """A group value written by routing (KNXnet/IP 05 30, cEMI L_Data.ind 29; from memory of open implementations)."""
    frame = bytes([0x29, 0x00, 0xBC, 0xE0, 0x11, 0x05]) + struct.pack("!H", group) + bytes([0x01, 0x00, 0x80 | value])
    return bytes([0x06, 0x10, 0x05, 0x30]) + struct.pack("!H", 6 + len(frame)) + frame


def artnet_program_address(address: str) -> bytes:
    """ArtIpProg that sets an address (Art-Net 4, from memory and open-source libraries; vector artnet-ipprog)."""
    body = bytes([0, 14, 0, 0, 0x94, 0]) + packed(address) + packed("255.255.255.0") + bytes([0x19, 0x36]) + bytes(8)
    return b"Art-Net\0" + struct.pack("<H", 0xF800) + body


def natpmp_map(internal: int, external: int, lifetime_seconds: int) -> bytes:
    """RFC 6886 3.3: a TCP mapping asked for."""
    return struct.pack("!BBHHHI", 0, 2, 0, internal, external, lifetime_seconds)


def natpmp_mapped(internal: int, external: int, lifetime_seconds: int, result: int = 0) -> bytes:
    """RFC 6886 3.3: the answer."""
    return struct.pack("!BBHIHHI", 0, 130, result, 1000, internal, external, lifetime_seconds)


def pcp_map(client: str, internal: int, external: int, lifetime_seconds: int) -> bytes:
    """RFC 6887 7.1 and 11.1: MAP of TCP asked for, addresses as IPv4-mapped ones."""
    head = struct.pack("!BBHI", 2, 1, 0, lifetime_seconds) + bytes(10) + b"\xff\xff" + packed(client)
    return head + _map(internal, external, "0.0.0.0")


def pcp_mapped(internal: int, external: int, result: int, outside: str = "0.0.0.0") -> bytes:
    """RFC 6887 7.2: the answer; 2 is NOT_AUTHORIZED (7.4), and the lifetime that of the error."""
    return struct.pack("!BBBBII12s", 2, 0x81, 0, result, 1800, 1000, b"") + _map(internal, external, outside)


def _map(internal: int, external: int, outside: str) -> bytes:
    nonce = bytes(range(1, 13))
    return nonce + struct.pack("!B3xHH", 6, internal, external) + bytes(10) + b"\xff\xff" + packed(outside)


def soap_add_mapping(external: int, internal: int, client: str) -> tuple[bytes, bytes]:
    """AddPortMapping and its answer (WANIPConnection; argument names from memory)."""
    service = "urn:schemas-upnp-org:service:WANIPConnection:1"
    values = {
        "NewRemoteHost": "", "NewExternalPort": external, "NewProtocol": "TCP", "NewInternalPort": internal,
        "NewInternalClient": client, "NewEnabled": 1, "NewPortMappingDescription": "strip light", "NewLeaseDuration": 0,
    }  # fmt: skip
    arguments = "".join(f"<{name}>{value}</{name}>" for name, value in values.items())

    def envelope(inner: str) -> bytes:
        return (
            '<?xml version="1.0"?><s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/" '
            's:encodingStyle="http://schemas.xmlsoap.org/soap/encoding/"><s:Body>'
            f'<u:{inner}</s:Body></s:Envelope>'
        ).encode()

    asked = envelope(f'AddPortMapping xmlns:u="{service}">{arguments}</u:AddPortMapping>')
    return asked, envelope(f'AddPortMappingResponse xmlns:u="{service}"></u:AddPortMappingResponse>')
