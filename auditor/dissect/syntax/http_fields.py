"""
Fields of HTTP heads that say how a login is asked for, who may call from a web page, and what takes over.

Standards: RFC 7616 section 3.3 and 3.4 (Digest), RFC 6265 section 4 (cookies), RFC 6455 sections 4.1 and
           4.2.2 (upgrade), RFC 6454 section 6 (origin), WHATWG Fetch (cross-origin requests, from memory).
Keeps:     names and algorithms; no nonce, response, cookie value or key.
"""

from __future__ import annotations

import base64
import hashlib
import re

from auditor.dissect.syntax.http_credentials import host_of, scheme_of, split_authority
from auditor.dissect.syntax.http_head import HttpHead
from auditor.dissect.syntax.printable import printable

MAX_NAMES = 32  # cookies, challenges or subprotocols kept of one message
DEFAULT_DIGEST = "md5"  # RFC 7616 3.3: where the parameter is absent
ALGORITHM = re.compile(rb"(?:\A|[\s,])algorithm=\"?([A-Za-z0-9-]{1,32})", re.IGNORECASE)
# A challenge begins with a scheme, followed by a space, a comma or the end; parameters have "=" behind their
# name (RFC 9110 11.6.1).
CHALLENGE = re.compile(rb"(?:\A|,)[ \t]*([A-Za-z][A-Za-z0-9-]{0,31})(?=[ \t]+[^ \t=]|[ \t]*(?:,|\Z))")
WEBSOCKET_GUID = b"258EAFA5-E914-47DA-95CA-C5AB0DC85B11"  # RFC 6455 1.3
DEFAULT_PORTS = {"http": "80", "https": "443", "ws": "80", "wss": "443"}  # RFC 9110 4.2, RFC 6455 3


def digest_algorithm(value: bytes | None) -> str | None:
    """Algorithm of Digest credentials or of a Digest challenge, lower case; None: another scheme."""
    if not value or scheme_of(value) != "digest":
        return None
    found = ALGORITHM.search(value)
    return found[1].decode("ascii").lower() if found is not None else DEFAULT_DIGEST


def challenges_of(head: HttpHead) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Schemes of all challenges in order, and the algorithms of those that are Digest, both lower case."""
    schemes: dict[str, None] = {}
    algorithms: dict[str, None] = {}
    for name, value in head.fields:
        if name not in (b"www-authenticate", b"proxy-authenticate"):
            continue
        starts = [found for found in CHALLENGE.finditer(value) if not _is_inside_quotes(value, found.start())]
        ends = [*(found.start() for found in starts[1:]), len(value)]
        for found, end in zip(starts[:MAX_NAMES], ends, strict=False):
            schemes[found[1].decode("ascii").lower()] = None
            algorithm = digest_algorithm(value[found.start(1) : end])
            if algorithm is not None:
                algorithms[algorithm] = None
    return tuple(schemes), tuple(algorithms)


def cookie_names(head: HttpHead) -> tuple[str, ...]:
    """Names of the cookies that are sent or set."""
    names: dict[str, None] = {}
    for field, value in head.fields:
        if field == b"cookie":
            parts = value.split(b";", MAX_NAMES)[:MAX_NAMES]
        elif field == b"set-cookie":
            parts = [value.split(b";", 1)[0]]
        else:
            continue
        for part in parts:
            name = printable(part.partition(b"=")[0].strip(b" \t"))
            if name and len(names) < MAX_NAMES:
                names[name] = None
    return tuple(names)


def is_cross_origin(head: HttpHead) -> bool | None:
    """Whether the Origin field names another host or port than the Host field; None: one is missing."""
    origin, host = head.get(b"origin"), head.get(b"host")
    if not origin or not host:
        return None
    if origin == b"null":  # RFC 6454 6.1: a page that belongs to no host
        return True
    scheme, separator, authority = origin.partition(b"://")
    if not separator:
        return None
    default = DEFAULT_PORTS.get(printable(scheme).lower(), "")
    # The scheme of the request itself is not known: what was readable came over http or ws.
    return _host_and_port(authority, default) != _host_and_port(host, "80")


def accepts_websocket(key: bytes | None, head: HttpHead) -> bool | None:
    """Whether the answer proves that the server read the request's key (RFC 6455 4.2.2); None: no key."""
    if key is None:
        return None
    digest = hashlib.sha1(key + WEBSOCKET_GUID, usedforsecurity=False).digest()
    return head.get(b"sec-websocket-accept") == base64.b64encode(digest)


def tokens_of(head: HttpHead, name: bytes) -> tuple[str, ...]:
    """Members of a list of tokens, parameters left out."""
    members = (printable(member.split(b";", 1)[0].strip(b" \t")) for member in head.get_all(name)[:MAX_NAMES])
    return tuple(member for member in members if member)


def _host_and_port(authority: bytes, default: str) -> tuple[str, str]:
    text, _ = split_authority(authority)
    behind = text.rsplit("]", 1)[-1]
    port = behind.rpartition(":")[2] if ":" in behind else ""
    return host_of(text) or "", port or default


def _is_inside_quotes(value: bytes, position: int) -> bool:
    return value.count(b'"', 0, position) % 2 == 1
