"""
Wireless frames of the copy: addresses in the header, and what management frames say of a network.

Standard: IEEE 802.11-2020 sections 9.2.4 (header), 9.3.3 (management frames), 9.4.2 (elements).
A frame check sequence behind a changed frame is not worked out again.
"""

from __future__ import annotations

from auditor.addresses import LinkAddress
from auditor.reduction.addresses import AddressPseudonyms
from auditor.reduction.overwrite import Overwriter

_ADDRESSES_AT = (4, 10, 16)
_FOURTH_ADDRESS_AT = 24
# Fixed fields before the elements, by subtype: association and reassociation requests, probes, beacon.
_ELEMENTS_AT = {0: 28, 2: 34, 4: 24, 5: 36, 8: 36}
_SSID = 0
_OPEN_ELEMENTS = frozenset({1, 3, 48, 50})
"""Rates, channel and security: what rules read, and no name."""
_SECURITY_BEFORE_RSN = b"\x00\x50\xf2\x01"
MAX_HEADER_OCTETS = 44
"""Four addresses, QoS and HT control, and the first octets of an encryption header."""


def rewrite_wireless(
    frame: bytearray, at: int, pseudonyms: AddressPseudonyms, overwriter: Overwriter, *, own: bool
) -> int:
    """Rewrite the frame whose header begins at ``at``; gives where a header certainly ends."""
    control, flags = (frame[at], frame[at + 1]) if at + 2 <= len(frame) else (0, 0)
    kind, subtype = control >> 2 & 3, control >> 4
    places = [*_ADDRESSES_AT, *((_FOURTH_ADDRESS_AT,) if kind == 2 and flags & 3 == 3 else ())]
    for place in places if kind != 1 else places[:2]:
        if at + place + 6 <= len(frame):
            old = LinkAddress(bytes(frame[at + place : at + place + 6]))
            frame[at + place : at + place + 6] = pseudonyms.link(old)
    if kind == 0 and not own:
        _elements(frame, at + _ELEMENTS_AT.get(subtype, 24), overwriter)
    return min(len(frame), at + MAX_HEADER_OCTETS)


def _elements(frame: bytearray, at: int, overwriter: Overwriter) -> None:
    """Names of networks get stand-ins; elements that no rule reads, zeros."""
    while at + 2 <= len(frame):
        element, size = frame[at], frame[at + 1]
        content = slice(at + 2, min(at + 2 + size, len(frame)))
        octets = bytes(frame[content])
        if element == _SSID:
            frame[content] = overwriter.stand_in(octets)
        elif element not in _OPEN_ELEMENTS and not octets.startswith(_SECURITY_BEFORE_RSN):
            frame[content] = bytes(len(octets))
        at += 2 + size
