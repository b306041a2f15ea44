"""
Which names of fields hold secrets, and which octets look like a token.

No standard lists such names; these are common practice in forms, JSON bodies
and addresses of small devices, and the registered TXT keys ``u`` and ``p``
are not among them because a one-letter key of a form says nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

PASSWORD_WORDS = frozenset(
    {"password", "passwd", "passwort", "passphrase", "passcode", "pass", "pwd", "pw", "psk"}
)
TOKEN_WORDS = frozenset({"token", "secret", "apikey", "bearer", "jwt", "credential", "credentials"})
USER_WORDS = frozenset({"user", "username", "login"})
NETWORK_WORDS = frozenset({"ssid", "essid", "bssid"})
WIRELESS_WORDS = frozenset({"wifi", "wlan", "wpa", "wpa2", "wpa3", "ap", "sta"})
SESSION_WORDS = frozenset(
    {"session", "sess", "sessionid", "sid", "auth", "authorization", "jsessionid", "phpsessid"}
)
# "key" alone is a token by name, but "keyframe", "key_count" and "public_key" are not.
KEY_COMPANIONS = frozenset(
    {"api", "auth", "access", "app", "client", "private", "secret", "user", "hub", "shared"}
)

# Names written without a break between their words.
JOINED = re.compile(
    r"(?P<password>(?:wifi|wlan|wpa|ap|sta|mqtt|admin|user|login|new|old)(?:password|passwd|passphrase|pass|pwd|psk))"
    r"|(?P<token>(?:access|auth|refresh|id|session|user)token|(?:api|auth|access|app)key|clientsecret)"
)
WORD_BREAK = re.compile(r"[^A-Za-z0-9]+|(?<=[a-z0-9])(?=[A-Z])")

MIN_RANDOM_CHARACTERS = 20  # 80 bits in hexadecimal: link addresses (12) and serial numbers stay below
MIN_HEXADECIMAL_CHARACTERS = 24
MIN_KEY_CHARACTERS = 6  # a shorter value of a field called "key" names a key, it is none
HEXADECIMAL = re.compile(r"(?=[a-z]*[0-9])(?=[0-9]*[a-f])[0-9a-f]+\Z", re.IGNORECASE)
BASE64 = re.compile(r"[A-Za-z0-9_\-+~]+={0,2}\Z")
UUID = re.compile(r"(?:uuid:)?[0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{12}\Z", re.IGNORECASE)
MASKED = re.compile(rb"[*.xX\xe2\x80\xa2\xe2\x97\x8f]*\Z")


def words_of(name: str) -> list[str]:
    """Split ``accessToken``, ``access_token`` and ``access-token`` alike."""
    return [word.lower() for word in WORD_BREAK.split(name) if word]


def is_network_name(name: str) -> bool:
    """Whether a field holds the name of a wireless network."""
    return any(word in NETWORK_WORDS or word.endswith("ssid") for word in words_of(name))


def is_session_name(name: str) -> bool:
    """Whether a cookie of this name stands for a login."""
    words = words_of(name)
    return kind_of_field(name) is not None or any(
        word in SESSION_WORDS or word.endswith(("sessid", "sessionid", "session")) for word in words
    )


def kind_of_field(name: str, *, beside_network_name: bool = False) -> str | None:
    """
    ``password``, ``token`` or ``wifi-passphrase`` for a name that promises one, else None.

    ``beside_network_name``: a field with the name of a wireless network stands
    in the same object or form.
    """
    words = words_of(name)
    if not words:
        return None
    joined = JOINED.fullmatch("".join(words))
    if any(word in PASSWORD_WORDS for word in words) or (joined and joined["password"]):
        wireless = beside_network_name or any(word in WIRELESS_WORDS for word in words)
        if not wireless and joined:
            wireless = "".join(words).startswith(("wifi", "wlan", "wpa"))
        return "wifi-passphrase" if wireless else "password"
    if any(word in TOKEN_WORDS for word in words) or (joined and joined["token"]):
        return "token"
    if words[-1] == "key" and (len(words) == 1 or any(word in KEY_COMPANIONS for word in words[:-1])):
        return "wifi-passphrase" if beside_network_name else "token"
    return None


def is_user_field(name: str) -> bool:
    """Whether a field holds a user name, where it stands beside a password."""
    words = words_of(name)
    return bool(words) and (words[-1] in USER_WORDS or "".join(words) in {"username", "userid", "loginname"})


def holds_value(value: bytes) -> bool:
    """Whether a value is there at all: devices answer with nothing, or with asterisks, where they hide it."""
    return not MASKED.match(value)


def is_plausible(kind: str, name: str, value: bytes) -> bool:
    """Whether a value of that kind is one, and not an index, a state or a mask."""
    if not holds_value(value):
        return False
    if kind == "token" and words_of(name)[-1:] == ["key"]:
        return len(value) >= MIN_KEY_CHARACTERS
    return True


def looks_random(segment: str) -> bool:
    """Whether a path segment looks like a token: long, of one alphabet, and mixed as no word is."""
    if len(segment) >= MIN_HEXADECIMAL_CHARACTERS and HEXADECIMAL.match(segment):
        return True
    if len(segment) < MIN_RANDOM_CHARACTERS or not BASE64.match(segment):
        return False
    digits = sum(map(str.isdigit, segment))
    upper = sum(map(str.isupper, segment))
    lower = sum(map(str.islower, segment))
    # Camel-case words have no digits inside; dated names have no mixed case.
    return digits >= 2 and upper >= 2 and lower >= 2 and _changes(segment) * 4 >= len(segment)


def is_identifier(segment: str) -> bool:
    """Whether a path segment is a UUID: it names something and is hidden, but is no secret."""
    return bool(UUID.match(segment))


def _changes(text: str) -> int:
    """How often the class of character changes from one to the next."""
    classes = [(c.isdigit(), c.isupper()) for c in text]
    return sum(a != b for a, b in pairwise(classes))


def any_network_name(names: Iterable[str]) -> bool:
    """Whether one of the names stands for a wireless network."""
    return any(map(is_network_name, names))
