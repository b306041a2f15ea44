"""
The key under which pseudonyms stay the same from night to night.

Without one they follow from the recordings, and every night would show other
devices.  It stands beside the store, for its owner's eyes alone.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

from auditor.errors import SettingsError
from auditor.store.database import writing

KEY_NAME = "pseudonym.key"
KEY_OCTETS = 32
_FORM = re.compile(rb"[0-9a-f]{64}\n?")


def load_key(folder: Path) -> bytes:
    """The key of this store, made where there is none; raises ``SettingsError`` where it is damaged."""
    path = folder / KEY_NAME
    with writing(path):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            _make(path)
        with path.open("rb") as file:
            text = file.read(len(b"\n") + 2 * KEY_OCTETS + 1)
    if not _FORM.fullmatch(text):
        raise SettingsError(
            str(path),
            f"expected {2 * KEY_OCTETS} hexadecimal digits, found something else; it is left as it is",
        )
    return bytes.fromhex(text.decode().strip())


def _make(path: Path) -> None:
    """Complete or not at all: half a key would give other pseudonyms."""
    part = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        with os.fdopen(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
            file.write(os.urandom(KEY_OCTETS).hex().encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)  # whoever gets here holds the lock of the store: nobody else makes one
    finally:
        part.unlink(missing_ok=True)


def fingerprint(key: bytes) -> str:
    """What the store remembers of a key, to notice another one."""
    return hashlib.blake2b(key, digest_size=8, person=b"watch key").hexdigest()
