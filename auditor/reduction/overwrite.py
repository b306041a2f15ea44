"""
Overwrite private octets inside a payload by others of the same length.

The stand-in keeps what grammars look at (letters stay letters, digits digits,
marks stay) and follows from the value under a key: equal values stay equal, so
that a rule about one secret on two devices still finds it.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Iterable, Mapping

MAX_PATTERNS = 20_000
"""Values looked for; with more of them no payload is kept, because none could be trusted."""
MIN_VALUE_OCTETS = 3
"""Shorter values stand in every payload by chance; their field is overwritten whole or kept."""
MIN_PART_OCTETS = 4
"""A value that two segments part is told by so many octets of it at their border."""

_LETTERS, _CAPITALS, _DIGITS = b"abcdefghijklmnopqrstuvwxyz", b"ABCDEFGHIJKLMNOPQRSTUVWXYZ", b"0123456789"

_BASIC = re.compile(rb"(?i)(authorization:[ \t]*basic[ \t]+)([A-Za-z0-9+/]+={0,2})")
# Fields of RFC 9110 and RFC 6265 that tell of a person or a login, whoever sends them.
_PERSONAL = re.compile(
    rb"(?im)^((?:cookie|set-cookie|proxy-authorization|x-api-key|x-auth-token|from|referer|x-forwarded-for):"
    rb"[ \t]*)([^\r\n]+)"
)
_BEARER = re.compile(rb"(?i)(authorization:[ \t]*(?!basic)[a-z-]+[ \t]+)([^\r\n]+)")
# What a program or person says of itself; a chosen device's own stays, for it may be a finding.
_SENDER = re.compile(rb"(?im)^((?:user-agent|accept-language):[ \t]*)([^\r\n]+)")
# What a device says of itself in a description (UPnP Device Architecture 2.0 section 2.3) or a discovery
# message (WS-Discovery 1.1 section 5): another's name, maker, number and addresses.
_DESCRIBED = re.compile(
    rb"(<(?:\w+:)?(?:friendlyName|manufacturer|manufacturerURL|modelName|modelNumber|modelDescription|modelURL|"
    rb"serialNumber|UDN|UPC|presentationURL|Address|Scopes|XAddrs)(?:\s[^<>]*)?>)([^<]+)"
)


class Overwriter:
    """Looks for values and knows their stand-ins."""

    def __init__(
        self,
        key: bytes,
        *,
        values: Iterable[bytes],
        replaced: Mapping[bytes, bytes],
        spared: Iterable[bytes] = (),
    ) -> None:
        """``values`` get stand-ins, in any case; ``replaced`` are octets with their own stand-ins."""
        self._key = key[:64]
        self._replaced = {old: new for old, new in replaced.items() if old != new and len(old) == len(new)}
        self._spared = frozenset(value.lower() for value in spared)
        known = {value.lower() for value in values if len(value) >= MIN_VALUE_OCTETS} - self._spared
        self._values = sorted(known, key=lambda value: (-len(value), value))
        self.is_full = len(self._values) + len(self._replaced) > MAX_PATTERNS
        # A word of somebody else inside a name that stays must not tear it: such names are matched first.
        whole = {one for one in self._spared if any(value in one for value in self._values)}
        ordered = sorted({*self._values, *whole}, key=lambda value: (-len(value), value))
        self._words = _alternation(ordered, re.IGNORECASE)
        self._octets = _alternation(sorted(self._replaced, key=lambda old: (-len(old), old)), 0)
        self.count = 0

    def stand_in(self, value: bytes) -> bytes:
        """Octets of the same length and classes."""
        if value.lower() in self._spared:
            return value
        stream = hashlib.shake_256(self._key + value.lower()).digest(len(value))
        return bytes(_like(octet, noise) for octet, noise in zip(value, stream, strict=True))

    def overwrite(self, payload: bytes, *, from_chosen: bool, addresses: bool = True) -> bytes:
        """A payload of the same length without the known values and without fields that name a person."""
        changed = _BASIC.sub(self._basic, payload)
        changed = _BEARER.sub(self._field, changed)
        changed = _PERSONAL.sub(self._field, changed)
        if not from_chosen:
            changed = _SENDER.sub(self._field, changed)
            changed = _DESCRIBED.sub(lambda match: match.group(1) + self.stand_in(match.group(2)), changed)
        if self._words is not None:
            changed = self._words.sub(self._word, changed)
            changed = self._borders(changed)
        if self._octets is not None and addresses:
            changed = self._octets.sub(lambda match: self._replaced[match.group()], changed)
        self.count += changed != payload
        return changed

    def _word(self, match: re.Match[bytes]) -> bytes:
        return self.stand_in(match.group())

    def _field(self, match: re.Match[bytes]) -> bytes:
        """Values alone: the names of cookies and their marks stay (RFC 6265 section 4.2.1)."""
        parts = re.split(rb"([=;, ])", match.group(2))
        named = match.group(1).lower().startswith((b"cookie", b"set-cookie"))
        shown = [
            part
            if not part or (named and place + 1 < len(parts) and parts[place + 1] == b"=")
            else self.stand_in(part)
            for place, part in enumerate(parts)
        ]
        return match.group(1) + b"".join(shown)

    def _basic(self, match: re.Match[bytes]) -> bytes:
        """RFC 7617 section 2: the user name and password are parted by the first colon."""
        try:
            plain = base64.b64decode(match.group(2), validate=True)
        except (binascii.Error, ValueError):
            return match.group(1) + self.stand_in(match.group(2))
        user, colon, password = plain.partition(b":")
        shown = base64.b64encode(self.stand_in(user) + colon + self.stand_in(password))
        return match.group(1) + shown[: len(match.group(2))]

    def _borders(self, payload: bytes) -> bytes:
        """Ends of values that stand half in this segment and half in its neighbour."""
        folded = payload.lower()
        for value in self._values:
            for size in range(min(len(value) - 1, len(payload)), MIN_PART_OCTETS - 1, -1):
                if folded.endswith(value[:size]):
                    payload = payload[:-size] + self.stand_in(value)[:size]
                    folded = payload.lower()
                if folded.startswith(value[-size:]):
                    payload = self.stand_in(value)[-size:] + payload[size:]
                    folded = payload.lower()
        return payload


def _like(octet: int, noise: int) -> int:
    for alphabet in (_LETTERS, _CAPITALS, _DIGITS):
        if octet in alphabet:
            return alphabet[noise % len(alphabet)]
    return octet if octet < 0x80 else 0x80 | noise & 0x3F


def _alternation(values: list[bytes], flags: int) -> re.Pattern[bytes] | None:
    if not values or len(values) > MAX_PATTERNS:
        return None
    return re.compile(b"|".join(map(re.escape, values)), flags | re.DOTALL)
