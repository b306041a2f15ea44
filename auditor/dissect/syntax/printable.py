r"""
Octets of a recording as text that a person can read and a terminal cannot obey.

``to_printable`` keeps every octet, for names that must be told apart;
``printable`` cuts and replaces, for names of fields that only have to be read.

Standard: RFC 1035 section 5.1 (``\DDD``: the octet as three decimal digits).
"""

from __future__ import annotations

# A name longer than this is a value in disguise; the longest registered HTTP
# field name has 40 characters (IANA HTTP field name registry, from memory).
MAX_NAME_CHARACTERS = 64


def to_printable(octets: bytes, escape: str = "") -> str:
    r"""
    Return ``octets`` as one line of printable text from which they can be told again.

    UTF-8 is kept; every octet of a character that does not print, and every
    octet that is no UTF-8, is written ``\DDD``.  The backslash and the one
    character that may be given as ``escape`` get a backslash before them.
    """
    text = octets.decode("utf-8", "surrogateescape")
    if text.isprintable() and "\\" not in text and (not escape or escape not in text):
        return text
    return "".join(_escaped(character, escape) for character in text)


def _escaped(character: str, escape: str) -> str:
    if character in ("\\", escape):
        return "\\" + character
    # Controls of direction (Unicode category Cf) and surrogates do not count as printable.
    if character.isprintable():
        return character
    return "".join(f"\\{octet:03d}" for octet in character.encode("utf-8", "surrogateescape"))


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
