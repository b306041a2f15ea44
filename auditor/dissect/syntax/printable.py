r"""
Octets of a recording as text that a person can read and a terminal cannot obey.

Standard: RFC 1035 section 5.1 (``\DDD``: the octet as three decimal digits).
"""

from __future__ import annotations


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
