"""
Text forms of names that stand in a recording.

Whatever a device calls a field goes into reports as data; here it only loses
what would break a line and what is too long to be a name.  The report makes it
harmless for its own format.
"""

from __future__ import annotations

# A name longer than this is a value in disguise; the longest registered HTTP
# field name has 40 characters (IANA HTTP field name registry, from memory).
MAX_NAME_CHARACTERS = 64


def printable(octets: bytes, limit: int = MAX_NAME_CHARACTERS) -> str:
    """Decode UTF-8, else Latin-1 (RFC 9110 section 5.5), without control characters, cut at ``limit``."""
    octets = octets[: 4 * limit]  # no character has more than four octets
    try:
        text = octets.decode("utf-8")
    except UnicodeDecodeError:
        text = octets.decode("latin-1")
    if not text.isprintable():
        text = "".join(character if character.isprintable() else "?" for character in text)
    return text[:limit]
