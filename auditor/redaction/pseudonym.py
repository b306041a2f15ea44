"""
Stable pseudonyms for devices that the report must not name.

The same key and the same device give the same pseudonym, in any recording.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

SHORTEST_DIGITS = 4
"""
Hexadecimal digits of a pseudonym.

Few on purpose: a key derived from the recordings can be derived by every reader
of the report, who could then try all 2**48 link addresses; sixteen bits fit
billions of them and so point at none.
"""


def derive_key(home_key: bytes | None, digests: Iterable[str]) -> bytes:
    """
    The home file's key, else one that follows from the recordings' SHA-256.

    The second makes the same input give the same octets out (house section 9)
    without a file that keeps a key; it does not hide who has the recording.
    """
    if home_key:
        return hashlib.blake2b(home_key, digest_size=32).digest()
    joined = "\n".join(sorted(digests)).encode()
    return hashlib.blake2b(joined, digest_size=32, person=b"pseudonym").digest()


def assign_pseudonyms(key: bytes, devices: Sequence[tuple[str, str, str]]) -> dict[str, str]:
    """
    A pseudonym for each ``(device_id, identity, role)``, by device_id.

    Two devices whose short pseudonyms collide both get longer ones, so that the
    result does not depend on their order.
    """
    digests = {device_id: _digest(key, identity) for device_id, identity, _ in devices}
    names: dict[str, str] = {}
    waiting = list(devices)
    digits = SHORTEST_DIGITS
    while waiting and digits <= 32:
        proposed: dict[str, list[tuple[str, str, str]]] = {}
        for device in waiting:
            device_id, _, role = device
            proposed.setdefault(f"{role}-{digests[device_id][:digits]}", []).append(device)
        waiting = []
        for name, bearers in proposed.items():
            if len(bearers) == 1:
                names[bearers[0][0]] = name
            else:
                waiting.extend(bearers)
        digits += SHORTEST_DIGITS
    for place, (device_id, _, role) in enumerate(
        waiting, start=1
    ):  # equal identities: only their order parts them
        names[device_id] = f"{role}-{digests[device_id][:SHORTEST_DIGITS]}-{place}"
    return names


def _digest(key: bytes, identity: str) -> str:
    # An identity may be a name from the recording with octets that are no UTF-8.
    return hashlib.blake2b(identity.encode("utf-8", "surrogatepass"), key=key, digest_size=16).hexdigest()
