"""
Information elements of 802.11 management frames.

Standards: IEEE 802.11-2016 section 9.4.2 (9.4.2.2 SSID, 9.4.2.4 DSSS channel,
           9.4.2.25 RSN); the element that went before RSN is common practice.
"""

from __future__ import annotations

from functools import lru_cache

from auditor.dissect.syntax.printable import to_printable
from auditor.errors import DecodeError, LimitError
from auditor.value_class import value_class
from auditor.wire import Cursor

# Table 9-77
SSID, CHANNEL, RSN, MESH, VENDOR = 0, 3, 48, 114, 221
MAX_SSID_OCTETS = 32  # 9.4.2.2
WPA_ELEMENT = b"\x00\x50\xf2\x01"  # common practice: what was used before RSN
SIMPLE_CONFIGURATION_ELEMENT = b"\x00\x50\xf2\x04"  # common practice: joining by button or number
OPPORTUNISTIC_ELEMENT = b"\x50\x6f\x9a\x1c"  # RFC 8110 section 5: names the other network of a pair

# Tables 9-131 and 9-133, suites of organisation 00-0f-ac; 18 is of RFC 8110
RSN_ORGANISATION, WPA_ORGANISATION = b"\x00\x0f\xac", b"\x00\x50\xf2"
CIPHERS = {0: "group", 1: "wep-40", 2: "tkip", 4: "ccmp-128", 5: "wep-104", 6: "bip-cmac-128", 7: "none",
           8: "gcmp-128", 9: "gcmp-256", 10: "ccmp-256", 11: "bip-gmac-128", 12: "bip-gmac-256",
           13: "bip-cmac-256"}  # fmt: skip
KEY_MANAGEMENTS = {1: "802.1x", 2: "psk", 3: "ft-802.1x", 4: "ft-psk", 5: "802.1x-sha256", 6: "psk-sha256",
                   7: "tdls", 8: "sae", 9: "ft-sae", 11: "suite-b", 12: "suite-b-192",
                   13: "ft-802.1x-sha384", 14: "fils-sha256", 15: "fils-sha384", 18: "owe", 24: "sae-ext",
                   25: "ft-sae-ext"}  # fmt: skip
PROTECTION_REQUIRED, PROTECTION_CAPABLE = 0x0040, 0x0080  # RSN Capabilities, figure 9-257

MAX_ELEMENTS = 256
"""In one frame.  An access point of today sends twenty to forty."""

MAX_SUITES = 32
"""In one list; the standard defines fewer."""


@value_class
class WirelessElements:
    """What the elements of one frame say."""

    network_name: str | None = None
    """SSID, printable; empty: withheld, or in a search every network; None: no such element."""
    channel: int | None = None
    key_managements: tuple[str, ...] = ()
    """Of the RSN and the older element, without repetition; one that we do not name is ``OUI:number``."""
    pairwise_ciphers: tuple[str, ...] = ()
    group_cipher: str | None = None
    has_rsn: bool = False
    has_older_protection: bool = False
    """The element that went before RSN is there."""
    management_protection: str | None = None
    """``required``, ``offered``, ``none``; None: no RSN element that tells."""
    has_simple_configuration: bool = False
    """Joining by button or number is offered."""
    has_opportunistic_pair: bool = False
    """An open network that names its encrypted twin, or the twin (RFC 8110)."""
    is_mesh: bool = False
    unread_elements: int = 0
    """Elements whose content broke their format, and what followed an element that passes the end."""


@lru_cache(maxsize=256)  # of beacons only the time changes, and it stands before the elements
def read_elements(octets: bytes) -> WirelessElements:
    """
    Read all elements; what is broken is counted.

    Raises:
        LimitError: more than ``MAX_ELEMENTS``.
    """
    cursor = Cursor(octets)
    name: str | None = None
    channel: int | None = None
    rsn = older = _NO_SUITES
    is_mesh = has_simple_configuration = has_pair = False
    unread = count = 0
    while cursor.remaining:
        count += 1
        if count > MAX_ELEMENTS:
            raise LimitError("elements", cursor.offset, f"more than {MAX_ELEMENTS}")
        try:
            kind = cursor.uint(1, "element")
            content = cursor.take(cursor.uint(1, "element_length"), "element_content")
        except DecodeError:
            unread += 1
            break
        try:
            if kind == SSID and name is None and len(content) <= MAX_SSID_OCTETS:
                # A withheld name is sent as no octets, or as that many zeros (common practice).
                name = to_printable(content) if any(content) else ""
            elif kind == CHANNEL and len(content) == 1:
                channel = content[0]
            elif kind == RSN and not rsn.is_there:
                rsn = _read_suites(Cursor(content), RSN_ORGANISATION)
            elif kind == MESH:
                is_mesh = True
            elif kind == VENDOR:
                if content.startswith(WPA_ELEMENT) and not older.is_there:
                    older = _read_suites(Cursor(content[len(WPA_ELEMENT) :]), WPA_ORGANISATION)
                has_simple_configuration |= content.startswith(SIMPLE_CONFIGURATION_ELEMENT)
                has_pair |= content.startswith(OPPORTUNISTIC_ELEMENT)
            elif kind in (SSID, CHANNEL, RSN):
                unread += 1
        except DecodeError:
            unread += 1
    return WirelessElements(
        network_name=name,
        channel=channel,
        key_managements=tuple(dict.fromkeys(rsn.key_managements + older.key_managements)),
        pairwise_ciphers=tuple(dict.fromkeys(rsn.pairwise + older.pairwise)),
        group_cipher=rsn.group or older.group,
        has_rsn=rsn.is_there,
        has_older_protection=older.is_there,
        management_protection=rsn.management_protection,
        has_simple_configuration=has_simple_configuration,
        has_opportunistic_pair=has_pair,
        is_mesh=is_mesh,
        unread_elements=unread,
    )


@value_class
class _Suites:
    is_there: bool = False
    group: str | None = None
    pairwise: tuple[str, ...] = ()
    key_managements: tuple[str, ...] = ()
    management_protection: str | None = None


_NO_SUITES = _Suites()


def _read_suites(cursor: Cursor, organisation: bytes) -> _Suites:
    """RSN element (9.4.2.25): every field behind the version may be missing, with all that follow."""
    version = cursor.uint(2, "version")
    group: str | None = None
    pairwise: tuple[str, ...] = ()
    managements: tuple[str, ...] = ()
    protection: str | None = None
    if version == 0x0100:  # 1, little-endian; what others mean is not laid down
        if cursor.remaining:
            group = _suite(cursor.take(4, "group_cipher"), organisation, CIPHERS)
        if cursor.remaining:
            pairwise = _list(cursor, organisation, CIPHERS, "pairwise_ciphers")
        if cursor.remaining:
            managements = _list(cursor, organisation, KEY_MANAGEMENTS, "key_managements")
        if cursor.remaining and organisation == RSN_ORGANISATION:
            capabilities = int.from_bytes(cursor.take(2, "capabilities"), "little")
            required, capable = capabilities & PROTECTION_REQUIRED, capabilities & PROTECTION_CAPABLE
            protection = "required" if required else "offered" if capable else "none"
    return _Suites(
        is_there=True,
        group=group,
        pairwise=pairwise,
        key_managements=managements,
        management_protection=protection,
    )


def _list(cursor: Cursor, organisation: bytes, names: dict[int, str], field: str) -> tuple[str, ...]:
    start = cursor.offset
    count = int.from_bytes(cursor.take(2, field), "little")
    if count > MAX_SUITES:
        raise LimitError(field, start, f"{count} > {MAX_SUITES}")
    return tuple(_suite(cursor.take(4, field), organisation, names) for _ in range(count))


def _suite(octets: bytes, organisation: bytes, names: dict[int, str]) -> str:
    if octets[:3] == organisation and octets[3] in names:
        return names[octets[3]]
    return f"{octets[:3].hex('-')}:{octets[3]}"
