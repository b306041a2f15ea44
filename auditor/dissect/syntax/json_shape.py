"""
The shape of a JSON text: its keys, and the secrets that stand under telling keys.

Standard: RFC 8259.  Values are not kept.  A text that breaks off or breaks the
grammar gives the keys that came before; bodies are cut at a bound, and small
devices write sloppy JSON.
"""

from __future__ import annotations

import json
import re

from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.secrets import is_network_name, is_plausible, is_user_field, kind_of_field
from auditor.secret import Secret

MAX_KEYS = 128  # distinct ones; the largest state document of a controller we know of has about 90
MAX_NESTING = 32  # objects and arrays open at once; deeper texts are attacks on recursion
MAX_TOKENS = 20_000  # of a body of 16 KiB, at one octet a token, with room for larger limits of callers
MAX_SECRETS = 16  # secrets sighted in one body; more say the same
TOKEN = re.compile(
    rb'[ \t\r\n]*(?:(?P<string>"(?:[^"\\\x00-\x1f]|\\.)*")|(?P<mark>[{}\[\]:,])|(?P<other>[^\s"{}\[\]:,]+))'
)


class _Object:
    """What is known about an object (or array) that is still open."""

    __slots__ = ("held", "is_array", "key", "network", "password", "prefix", "users")

    def __init__(self, prefix: tuple[str, ...], *, is_array: bool) -> None:
        self.prefix = prefix
        self.is_array = is_array
        self.key: str | None = None
        self.network = False
        self.password = False
        self.held: list[tuple[str, bytes]] = []
        self.users: list[tuple[str, bytes]] = []


def json_keys(
    octets: bytes, max_depth: int = 3, *, place: str = "http-json"
) -> tuple[tuple[str, ...], tuple[SightedSecret, ...]]:
    """
    List the keys of a JSON text in order of appearance, nested ones joined by ``.``.

    Objects inside arrays count as one level with their array's key.  Keys below
    ``max_depth`` are not listed, secrets below it are still sighted.  Total:
    any octets give a result.
    """
    keys: dict[str, None] = {}
    secrets: list[SightedSecret] = []
    open_: list[_Object] = []
    position = 3 if octets.startswith(b"\xef\xbb\xbf") else 0
    expects_value = True
    for _ in range(MAX_TOKENS):
        token = TOKEN.match(octets, position)
        if token is None or (not open_ and not expects_value):
            break
        position = token.end()
        mark = token["mark"]
        if mark is None:
            _scalar(token["string"], token["other"], open_, keys, max_depth, expects_value=expects_value)
            expects_value = False
        elif mark in b"{[":
            if len(open_) >= MAX_NESTING:
                break
            open_.append(_Object(_prefix(open_), is_array=mark == b"["))
            expects_value = mark == b"["
        elif mark in b"}]":
            if not open_:
                break
            _close(open_.pop(), secrets, place)
            expects_value = False
        elif mark == b":":
            expects_value = True
        else:
            expects_value = bool(open_) and open_[-1].is_array
    while open_:
        _close(open_.pop(), secrets, place)
    return tuple(keys), tuple(secrets[:MAX_SECRETS])


def _prefix(open_: list[_Object]) -> tuple[str, ...]:
    if not open_:
        return ()
    outer = open_[-1]
    return outer.prefix if outer.key is None else (*outer.prefix, outer.key)


def _scalar(
    string: bytes | None,
    other: bytes | None,
    open_: list[_Object],
    keys: dict[str, None],
    max_depth: int,
    *,
    expects_value: bool,
) -> None:
    """Take a key, or a value that stands under one."""
    if not open_:
        return
    inner = open_[-1]
    if string is not None and not expects_value and not inner.is_array:
        inner.key = printable(_unescape(string))
        if len(inner.prefix) < max_depth and len(keys) < MAX_KEYS:
            keys[".".join((*inner.prefix, inner.key))] = None
        inner.network = inner.network or is_network_name(inner.key)
        return
    name = inner.key if inner.key is not None else (inner.prefix[-1] if inner.prefix else None)
    if not expects_value or name is None:
        return
    value = _unescape(string) if string is not None else other or b""
    if value in (b"true", b"false", b"null") and string is None:
        return
    kind = kind_of_field(name)
    if kind is not None and is_plausible(kind, name, value):
        inner.password = inner.password or kind != "token"
        inner.held.append((name, value))
    elif string is not None and value and is_user_field(name):
        inner.users.append((name, value))


def _close(done: _Object, secrets: list[SightedSecret], place: str) -> None:
    """Name the secrets of an object, once its neighbours are known."""
    if len(secrets) >= MAX_SECRETS:
        return
    for name, value in done.held[:MAX_SECRETS]:
        kind = kind_of_field(name, beside_network_name=done.network) or "token"
        secrets.append(SightedSecret(kind=kind, place=place, field=name, secret=Secret(value)))
    if done.password:
        secrets.extend(
            SightedSecret(kind="user-name", place=place, field=name, secret=Secret(value))
            for name, value in done.users[:1]
        )


def _unescape(string: bytes) -> bytes:
    """Octets of a quoted string without its quotes, escapes resolved (RFC 8259 section 7)."""
    if b"\\" not in string:
        return string[1:-1]
    try:
        text = json.loads(string.decode("utf-8"))
    except ValueError:  # a bad escape, or not UTF-8: the octets as they stand
        return string[1:-1]
    return str(text).encode("utf-8", "replace")
