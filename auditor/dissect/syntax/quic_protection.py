"""
Taking the protection off the Initial packets of QUIC, whose keys everybody on the path can compute.

Standards: RFC 9001 section 5.2 (Initial secrets), 5.3 (AEAD), 5.4 (header protection); RFC 9369 section 3.3
           (version 2); RFC 5869 (HKDF), RFC 8446 section 7.1 (HKDF-Expand-Label).

The keys come from a connection identifier that stands in the clear; nothing is
broken here, and nothing behind the Initial packets can be read so.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from typing import NamedTuple

VERSION_1 = 0x0000_0001  # RFC 9000 section 15
VERSION_2 = 0x6B33_43CF  # RFC 9369 section 3.1

_SALTS = {
    VERSION_1: bytes.fromhex("38762cf7f55934b34d179ae6a4c80cadccbb7f0a"),  # RFC 9001 5.2
    VERSION_2: bytes.fromhex("0dede3def700a6db819381be6e269dcbf9bd2ed9"),  # RFC 9369 3.3.1
}
_LABELS = {VERSION_1: b"quic", VERSION_2: b"quicv2"}  # RFC 9001 5.1, RFC 9369 3.3.2

TAG_OCTETS = 16  # AEAD_AES_128_GCM (RFC 5116 5.1)
SAMPLE_OCTETS = 16  # RFC 9001 5.4.3
SAMPLE_OFFSET = 4  # behind the beginning of the packet number, as if that had four octets (5.4.2)
PACKET_NUMBER_BITS = 0x03
LONG_HEADER_BITS = 0x0F  # 5.4.1: hidden bits of the first octet of a long header


class CryptographyMissingError(Exception):
    """The library that Initial packets are decrypted with is not installed."""


class Keys(NamedTuple):
    """Of one side's Initial packets (RFC 9001 5.1)."""

    key: bytes
    initialization_vector: bytes
    header_protection: bytes


@dataclass(frozen=True, slots=True)
class Opened:
    """An Initial packet without its protection."""

    packet_number: int
    """As far as it was sent: its lowest 8 to 32 bits, which are all of it while a connection begins."""
    payload: bytes
    """Frames."""


def initial_keys(version: int, connection_id: bytes, *, of_client: bool) -> Keys:
    """
    Keys of the Initial packets that one side sends.

    ``connection_id``: the destination of the client's first Initial packet, or
    of its first one after a Retry.
    """
    secret = hmac.digest(_SALTS[version], connection_id, "sha256")
    secret = _expand(secret, b"client in" if of_client else b"server in", hashlib.sha256().digest_size)
    label = _LABELS[version]
    return Keys(
        _expand(secret, label + b" key", 16),
        _expand(secret, label + b" iv", 12),
        _expand(secret, label + b" hp", 16),
    )


def open_initial(packet: bytes, number_at: int, keys: Keys) -> Opened | None:
    """
    Take the protection off one packet.

    Arguments: the packet from its first octet to the end that its length field
    names, and where its packet number begins.  None: it is not authentic under
    these keys, or too short to be.

    Raises:
        CryptographyMissingError: see there.
    """
    sample_at = number_at + SAMPLE_OFFSET
    if len(packet) < sample_at + SAMPLE_OCTETS:
        return None
    try:
        # Loaded when the first Initial packet comes, since many recordings hold none and it takes a while.
        from cryptography.exceptions import InvalidTag
        from cryptography.hazmat.primitives.ciphers import Cipher
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM
        from cryptography.hazmat.primitives.ciphers.algorithms import AES
        from cryptography.hazmat.primitives.ciphers.modes import ECB
    except ImportError as error:
        raise CryptographyMissingError from error
    # One block, as RFC 9001 5.4.3 defines the mask: no message is encrypted so.
    encryptor = Cipher(AES(keys.header_protection), ECB()).encryptor()  # noqa: S305
    mask = encryptor.update(packet[sample_at : sample_at + SAMPLE_OCTETS])
    first = packet[0] ^ (mask[0] & LONG_HEADER_BITS)
    number_octets = (first & PACKET_NUMBER_BITS) + 1
    sent = packet[number_at : number_at + number_octets]
    number = int.from_bytes(sent, "big") ^ int.from_bytes(mask[1 : 1 + number_octets], "big")
    header = bytes([first]) + packet[1:number_at] + number.to_bytes(number_octets, "big")
    nonce = int.from_bytes(keys.initialization_vector, "big") ^ number
    try:
        payload = AESGCM(keys.key).decrypt(
            nonce.to_bytes(12, "big"), packet[number_at + number_octets :], header
        )
    except InvalidTag:
        return None
    return Opened(number, payload)


def _expand(secret: bytes, label: bytes, length: int) -> bytes:
    """HKDF-Expand-Label with an empty context, for at most one block of output."""
    full = b"tls13 " + label
    info = length.to_bytes(2, "big") + bytes([len(full)]) + full + b"\0"
    return hmac.digest(secret, info + b"\x01", "sha256")[:length]
