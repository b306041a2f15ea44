"""
EAPOL: logging in to a network by port or key.

Standards: IEEE 802.1X-2010 section 11 (from memory), IEEE 802.11-2016 section
           12.7.2 (key frames, from memory), RFC 3748 section 4 (EAP).
Reads:     the payload of frames of ethertype 0x888E.
Keeps:     which step of which exchange.  Nonces, check values and wrapped keys
           are left where they are: a passphrase can be tried against them.
"""

from __future__ import annotations

from auditor.dissect.message import Message
from auditor.dissect.registry import Dissector
from auditor.errors import MalformedError
from auditor.packets.batch import ETHERTYPE_EAPOL
from auditor.value_class import value_class
from auditor.wire import Cursor

HEADER_OCTETS = 4
MAX_VERSION = 3  # 802.1X-2010; 1 is 2001, 2 is 2004

# 802.1X-2010 table 11-3
KINDS = {0: "eap", 1: "start", 2: "logoff", 3: "key", 4: "alert", 5: "key-agreement", 6: "announcement",
         7: "announcement", 8: "announcement-request"}  # fmt: skip
EAP, KEY = 0, 3

# RFC 3748 section 4; types of the IANA registry "EAP Method Types"
EAP_CODES = {1: "request", 2: "response", 3: "success", 4: "failure"}
EAP_METHODS = {1: "identity", 2: "notification", 3: "nak", 4: "md5-challenge", 13: "tls", 21: "ttls",
               25: "peap", 43: "fast", 52: "pwd", 55: "teap", 254: "expanded"}  # fmt: skip
EAP_HEADER_OCTETS = 4

# 802.11-2016 figures 12-32 and 12-33: descriptor type, Key Information, and what stands before the nonce
DESCRIPTORS = {2: "rsn", 254: "wpa"}
PAIRWISE, ACKNOWLEDGE, CHECKED, SECURE, ERROR, REQUEST = 0x0008, 0x0080, 0x0100, 0x0200, 0x0400, 0x0800
BEFORE_NONCE_OCTETS = 10  # key length and replay counter
NONCE_OCTETS = 32


@value_class
class EapolFrame(Message):
    """One frame."""

    version: int
    kind: str
    """``eap``, ``start``, ``logoff``, ``key``, ``alert``, ``key-agreement``, ``announcement`` …"""
    eap_code: str | None = None
    """``request``, ``response``, ``success``, ``failure``."""
    eap_method: str | None = None
    """IANA EAP Method Types, in lower case where we name it, else the number."""
    descriptor: str | None = None
    """Of a key frame: ``rsn`` (802.11), ``wpa`` (what went before), or the number."""
    handshake: str | None = None
    """Of a key frame: ``pairwise`` (the four-way handshake), ``group``, ``request``; None: another
    descriptor."""
    handshake_step: int | None = None
    """1 to 4 of ``pairwise``, 1 or 2 of ``group``."""

    @property
    def is_from_authenticator(self) -> bool | None:
        """Whether the access point sent it; None: the frame does not tell."""
        if self.handshake_step is not None:
            return self.handshake_step % 2 == 1
        if self.eap_code is not None:
            return self.eap_code != "response"
        return False if self.kind in ("start", "logoff") else None


def looks_like(head: bytes) -> bool:
    """Whether a frame that begins with ``head`` is worth parsing."""
    return len(head) >= HEADER_OCTETS and 1 <= head[0] <= MAX_VERSION and head[1] in KINDS


def parse_message(cursor: Cursor) -> EapolFrame:
    """
    Parse one frame; what follows the length that it tells is padding.

    Raises:
        DecodeError: a version or type that no edition has, or a body shorter than its own lengths.
    """
    length = cursor.remaining
    version = cursor.uint(1, "version")
    if not 1 <= version <= MAX_VERSION:
        raise MalformedError("version", 0, f"{version}")
    number = cursor.uint(1, "type")
    kind = KINDS.get(number)
    if kind is None:
        raise MalformedError("type", 1, f"{number}")
    body = cursor.block(cursor.uint(2, "length"), "body")
    cursor.take(cursor.remaining, "padding")
    if number == EAP:
        code, method = _read_eap(body)
        return EapolFrame(length=length, version=version, kind=kind, eap_code=code, eap_method=method)
    if number == KEY:
        descriptor, handshake, step = _read_key(body)
        return EapolFrame(
            length=length,
            version=version,
            kind=kind,
            descriptor=descriptor,
            handshake=handshake,
            handshake_step=step,
        )
    return EapolFrame(length=length, version=version, kind=kind)


def _read_eap(body: Cursor) -> tuple[str, str | None]:
    start = body.offset
    code = body.uint(1, "eap_code")
    name = EAP_CODES.get(code)
    if name is None:
        raise MalformedError("eap_code", start, f"{code}")
    body.uint(1, "eap_identifier")
    length = body.uint(2, "eap_length")
    if length < EAP_HEADER_OCTETS:
        raise MalformedError("eap_length", start + 2, f"{length} < {EAP_HEADER_OCTETS}")
    data = body.block(length - EAP_HEADER_OCTETS, "eap_data")
    if code > 2:  # success and failure have no type (RFC 3748 4.2)
        return name, None
    method = data.uint(1, "eap_type")
    return name, EAP_METHODS.get(method, str(method))


def _read_key(body: Cursor) -> tuple[str, str | None, int | None]:
    """Tell the step by the flags (802.11-2016 12.7.6 and 12.7.7)."""
    kind = body.uint(1, "descriptor_type")
    descriptor = DESCRIPTORS.get(kind)
    if descriptor is None:
        return str(kind), None, None
    flags = body.uint(2, "key_information")
    body.take(BEFORE_NONCE_OCTETS, "replay_counter")
    nonce = body.take(NONCE_OCTETS, "nonce")
    if flags & REQUEST:
        return descriptor, "request", None
    if not flags & PAIRWISE:
        return descriptor, "group", 1 if flags & ACKNOWLEDGE else 2
    if flags & ACKNOWLEDGE:
        return descriptor, "pairwise", 3 if flags & CHECKED else 1
    # The last step has no nonce; before 802.11i was finished it did not set the bit Secure either.
    return descriptor, "pairwise", 4 if flags & SECURE or not any(nonce) else 2


DISSECTOR = Dissector(
    name="eapol",
    transport="ethernet",
    ports=frozenset({ETHERTYPE_EAPOL}),
    looks_like=looks_like,
    parse_datagram=parse_message,
)
