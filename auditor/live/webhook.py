"""
A message to an address at home that the user gave: JSON by HTTP POST.

Only to a loopback, private or link-local address written as such, never to a
name: a name could lead outside, today or tomorrow.  Redirects are not followed.

Standards: RFC 9110 (POST, status), RFC 8259 (JSON), RFC 1918 and RFC 4193 (private addresses).
"""

from __future__ import annotations

import http.client
import ipaddress
import json
import time
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlsplit

from auditor.errors import OutputError, UsageError

TRIES = 3
PAUSE_SECONDS = (1.0, 4.0)
"""Before the second and third try: a receiver that restarts is back after seconds."""
TIMEOUT_SECONDS = 5.0
"""Of one connection; with all tries the night is held up by half a minute at most."""
MAX_BODY_OCTETS = 64_000
"""Five lines are hundreds of octets; more is refused before anything is sent."""
_TYPE = {"Content-Type": "application/json", "Connection": "close"}


def check_location(location: str) -> tuple[str, int, str]:
    """Address, port and path of a location that may be used; raises ``UsageError``."""
    try:
        parts = urlsplit(location)
        port = parts.port or 80
        address = ipaddress.ip_address((parts.hostname or "").partition("%")[0])
    except ValueError:
        raise UsageError("webhook", "expected http://ADDRESS[:PORT]/PATH, in numbers") from None
    if parts.scheme != "http" or parts.username is not None or parts.password is not None:
        raise UsageError("webhook", "expected http:// without a login")
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    if not is_at_home(address):
        raise UsageError("webhook", f"expected a private or loopback address, found {address}")
    path = parts.path or "/"
    target = f"{path}?{parts.query}" if parts.query else path
    if not target.isascii() or not target.isprintable() or " " in target:
        raise UsageError("webhook", "expected a path of visible ASCII characters")
    return str(parts.hostname), port, target


def is_at_home(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Loopback, RFC 1918, RFC 4193, link-local; not the other ranges that a registry calls private."""
    home = ("127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16",
            "::1/128", "fc00::/7", "fe80::/10")  # fmt: skip
    return any(address in ipaddress.ip_network(prefix) for prefix in home)


def send(location: str, content: Mapping[str, Any], *, pause: Callable[[float], None] = time.sleep) -> None:
    """Post the content; raises ``OutputError`` after all tries, ``UsageError`` for its location."""
    address, port, target = check_location(location)
    body = json.dumps(content, ensure_ascii=True, sort_keys=True).encode()
    if len(body) > MAX_BODY_OCTETS:
        raise OutputError(f"webhook: {len(body)} octets are more than {MAX_BODY_OCTETS}")
    problem = ""
    for turn in range(TRIES):
        if turn:
            pause(PAUSE_SECONDS[turn - 1])
        connection = http.client.HTTPConnection(address, port, timeout=TIMEOUT_SECONDS)
        try:
            connection.request("POST", target, body, _TYPE)
            status = connection.getresponse().status
        except (OSError, http.client.HTTPException) as error:
            problem = str(error) or type(error).__name__
        else:
            if 200 <= status < 300:
                return
            problem = f"it answered with status {status}"
            if status < 500 and status != 429:  # it understood and refused: again is no use (RFC 9110 15.5)
                break
        finally:
            connection.close()
    raise OutputError(f"webhook: {problem}")
