"""
Management frames of wireless networks: who announces, searches, joins and leaves.

Standard: IEEE 802.11-2016 sections 9.3.3 (frames) and 9.4.1 (fixed fields);
          the elements are ``auditor.dissect.syntax.wireless_elements``.
Reads:    whole frames, from Frame Control on.
Keeps:    names, protection, stations, reasons and results.
"""

from __future__ import annotations

from auditor.addresses import LinkAddress
from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.dissect.syntax.wireless_elements import WirelessElements, read_elements
from auditor.errors import MalformedError, TruncatedError
from auditor.value_class import value_class
from auditor.wire import Cursor

HEADER_OCTETS, HT_CONTROL_OCTETS = 24, 4
VERSION_AND_TYPE, MANAGEMENT = 0x0F, 0x00  # Frame Control, 9.2.4.1: version 0, type 0
PROTECTED_FRAME, ORDER = 0x40, 0x80
PRIVACY = 0x0010  # 9.4.1.4

# Table 9-1, by subtype
KINDS = {0: "association-request", 1: "association-response", 2: "reassociation-request",
         3: "reassociation-response", 4: "probe-request", 5: "probe-response", 6: "timing-advertisement",
         8: "beacon", 9: "traffic-indication", 10: "disassociation", 11: "authentication",
         12: "deauthentication", 13: "action", 14: "action-no-acknowledgement"}  # fmt: skip

# Fixed fields before the elements (9.3.3): octets, and where the capabilities stand among them.
FIXED = {"association-request": (4, 0), "association-response": (6, 0), "reassociation-request": (10, 0),
         "reassociation-response": (6, 0), "probe-request": (0, None), "probe-response": (12, 10),
         "beacon": (12, 10), "authentication": (6, None), "disassociation": (2, None),
         "deauthentication": (2, None)}  # fmt: skip

# 9.4.1.1; 3 is SAE, 4 to 6 FILS
ALGORITHMS = {0: "open", 1: "shared-key", 2: "fast-transition", 3: "sae", 4: "fils", 5: "fils", 6: "fils"}


@value_class
class ManagementFrame(Message):
    """One frame; what its kind does not carry, or what is encrypted, is None."""

    kind: str
    """``beacon``, ``probe-request``, ``association-request``, ``authentication``, ``deauthentication`` …"""
    transmitter: LinkAddress
    receiver: LinkAddress
    """May be a group."""
    basic_service_set: LinkAddress
    """Identifier of the network's cell: the access point's link address; all ones in a search for any."""
    is_protected: bool
    """The content is encrypted, and nothing of it was read."""
    has_privacy: bool | None = None
    """The sender's network encrypts data (capability bit)."""
    reason_code: int | None = None
    """Why a station is sent away or leaves (table 9-45)."""
    status_code: int | None = None
    """Of an answer: 0 is success (table 9-46)."""
    algorithm: str | None = None
    """Of an authentication frame: ``open``, ``sae`` …, or the number."""
    sequence: int | None = None
    """Of an authentication frame."""
    elements: WirelessElements | None = None

    @property
    def network_name(self) -> str | None:
        """SSID; empty: withheld, or any; None: not told."""
        return self.elements.network_name if self.elements else None

    @property
    def protection(self) -> str | None:
        """
        What the sender's network asks of a station, for announcements and requests to join; None: not told.

        ``open``; ``owe`` (encrypted, without a passphrase); ``wep``; ``wpa`` (the element before RSN alone);
        ``wpa2``; ``wpa3`` (SAE or Suite B alone); ``wpa2-wpa3`` (both may join); ``rsn`` (suites that we do
        not know).  The names with numbers are the trade's (common practice).
        """
        found = self.elements
        if found is None or self.has_privacy is None:
            return None
        if not found.has_rsn:
            if found.has_older_protection:
                return "wpa"
            return "wep" if self.has_privacy else "open"
        managements = set(found.key_managements)
        newer, older = managements & NEWER, managements & OLDER
        if newer and older:
            return "wpa2-wpa3"
        if older:
            return "wpa2"
        if newer:
            return "wpa3"
        return "owe" if "owe" in managements else "rsn"


OLDER = frozenset({"802.1x", "psk", "ft-802.1x", "ft-psk", "802.1x-sha256", "psk-sha256"})
NEWER = frozenset({"sae", "ft-sae", "sae-ext", "ft-sae-ext", "suite-b", "suite-b-192"})


def looks_like(head: bytes) -> bool:
    """Whether a frame that begins with ``head`` is a management frame of a kind in use."""
    return len(head) >= HEADER_OCTETS and head[0] & VERSION_AND_TYPE == MANAGEMENT and head[0] >> 4 in KINDS


def parse_message(cursor: Cursor) -> ManagementFrame:
    """
    Parse one frame without its check sequence.

    Raises:
        DecodeError: another type, or a frame that ends inside its fixed fields.
    """
    data = cursor.take(cursor.remaining, "frame")
    if len(data) < HEADER_OCTETS:
        raise TruncatedError("header", len(data), f"needs {HEADER_OCTETS} octets")
    kind = KINDS.get(data[0] >> 4)
    if data[0] & VERSION_AND_TYPE != MANAGEMENT or kind is None:
        raise MalformedError("frame_control", 0, f"{data[0]}")
    start = HEADER_OCTETS + (HT_CONTROL_OCTETS if data[1] & ORDER else 0)
    # An authentication frame with shared keys sets the bit as well, and only its challenge is encrypted.
    is_protected = bool(data[1] & PROTECTED_FRAME)
    layout = None if is_protected else FIXED.get(kind)
    receiver, transmitter, cell = (LinkAddress(data[at : at + 6]) for at in (4, 10, 16))
    if layout is None:
        return ManagementFrame(
            length=len(data),
            kind=kind,
            transmitter=transmitter,
            receiver=receiver,
            basic_service_set=cell,
            is_protected=is_protected,
        )
    octets, capabilities_at = layout
    fixed = data[start : start + octets]
    if len(fixed) < octets:
        raise TruncatedError("fixed_fields", len(data), f"needs {octets} octets, {len(fixed)} remain")
    words = [int.from_bytes(fixed[at : at + 2], "little") for at in range(0, octets, 2)]
    is_authentication = kind == "authentication"
    is_answer = kind in ("association-response", "reassociation-response")
    return ManagementFrame(
        length=len(data),
        kind=kind,
        transmitter=transmitter,
        receiver=receiver,
        basic_service_set=cell,
        is_protected=False,
        has_privacy=None if capabilities_at is None else bool(words[capabilities_at // 2] & PRIVACY),
        reason_code=words[0] if kind in ("disassociation", "deauthentication") else None,
        status_code=words[1] if is_answer else words[2] if is_authentication else None,
        algorithm=ALGORITHMS.get(words[0], str(words[0])) if is_authentication else None,
        sequence=words[1] if is_authentication else None,
        # What follows in an authentication frame depends on its algorithm: an SAE commit is no list of
        # elements.
        elements=None if is_authentication else read_elements(data[start + octets :]),
    )


DISSECTOR = Dissector(
    name="ieee80211",
    transport="ieee80211",
    ports=frozenset(),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
