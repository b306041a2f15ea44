"""
Management frames of wireless networks (IEEE 802.11-2020 sections 9.3.3 and 9.4), without check sequence.

Numbers of subtypes and elements from memory; ``tests/unit/household`` reads them with scapy.
"""

from __future__ import annotations

import struct

from tests.household.octets import link

LINK_TYPE = 105  # LINKTYPE_IEEE802_11
BEACON, ASSOCIATION_REQUEST, AUTHENTICATION = 8, 0, 11
PRIVACY, INFRASTRUCTURE = 0x0010, 0x0001  # capability bits (9.4.1.4)
RSN_PERSONAL = bytes.fromhex("0100000fac040100000fac040100000fac020000")  # version 1, CCMP, PSK (9.4.2.24)
EVERYBODY = "ff:ff:ff:ff:ff:ff"


def element(identifier: int, content: bytes) -> bytes:
    """9.4.2.1."""
    return bytes([identifier, len(content)]) + content


def frame(subtype: int, receiver: str, transmitter: str, cell: str, body: bytes) -> bytes:
    """Frame control, duration, three addresses, sequence control (9.3.3.1)."""
    return bytes([subtype << 4, 0, 0, 0]) + link(receiver) + link(transmitter) + link(cell) + b"\0\0" + body


def beacon(cell: str, name: str, *, is_open: bool) -> bytes:
    """Time, interval of 100 units, capabilities, name and protection."""
    capabilities = INFRASTRUCTURE | (0 if is_open else PRIVACY)
    body = bytes(8) + struct.pack("<HH", 100, capabilities) + element(0, name.encode()) + element(1, b"\x82\x84")
    return frame(BEACON, EVERYBODY, cell, cell, body + (b"" if is_open else element(48, RSN_PERSONAL)))


def authentication(station: str, cell: str) -> bytes:
    """Open system, first message (9.3.3.11)."""
    return frame(AUTHENTICATION, cell, station, cell, struct.pack("<HHH", 0, 1, 0))


def association_request(station: str, cell: str, name: str, *, is_open: bool) -> bytes:
    """Capabilities, listen interval, name and protection (9.3.3.5)."""
    capabilities = INFRASTRUCTURE | (0 if is_open else PRIVACY)
    body = struct.pack("<HH", capabilities, 10) + element(0, name.encode()) + element(1, b"\x82\x84")
    return frame(ASSOCIATION_REQUEST, cell, station, cell, body + (b"" if is_open else element(48, RSN_PERSONAL)))
