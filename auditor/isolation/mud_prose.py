"""
What RFC 8520 asks in prose and its YANG modules let through.

Sources: RFC 8520 sections 2, 2.1, 3.5, 3.7, 6 and 8.2, RFC 8519 section 3.  The
model itself is checked by a YANG validator in the tests, not here.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from typing import Any

LEAST_CACHE_VALIDITY_HOURS = 24
MAX_SYSTEMINFO_CHARACTERS = 60  # RFC 8520 section 3.7
MAX_PROBLEMS = 50  # told of one file: enough to mend it
_FAMILY_OF_TYPE = {"ipv4-acl-type": "ipv4", "ipv6-acl-type": "ipv6"}


def prose_problems(document: dict[str, Any]) -> list[str]:
    """Sentences about what breaks the prose of the standard; empty where nothing does."""
    found: list[str] = []
    for problem in _problems(document):
        found.append(problem)
        if len(found) >= MAX_PROBLEMS:
            break
    return found


def _problems(document: dict[str, Any]) -> Iterator[str]:
    mud = _table(document.get("ietf-mud:mud"))
    url = mud.get("mud-url")
    if not isinstance(url, str) or not url.lower().startswith("https://"):
        yield "mud-url: must be of the https scheme (RFC 8520 section 6)"
    validity = mud.get("cache-validity", 48)
    if not isinstance(validity, int) or validity < LEAST_CACHE_VALIDITY_HOURS:
        yield "cache-validity: should be 24 hours or more (RFC 8520 section 3.5)"
    if len(str(mud.get("systeminfo", ""))) > MAX_SYSTEMINFO_CHARACTERS:
        yield "systeminfo: should be 60 characters or fewer (RFC 8520 section 3.7)"
    ways = {
        name: way
        for way in ("from-device", "to-device")
        for name in _policy_names(_table(mud.get(f"{way}-policy")))
    }
    lists = _rows(_table(document.get("ietf-access-control-list:acls")).get("acl"))
    if not ways or not lists:
        yield "no access list: the description says nothing (RFC 8520 section 2)"
    for acl in lists:
        yield from _list_problems(acl, ways.get(str(acl.get("name"))))


def _list_problems(acl: dict[str, Any], way: str | None) -> Iterator[str]:
    name = acl.get("name")
    family = _FAMILY_OF_TYPE.get(str(acl.get("type")))
    for ace in _rows(_table(acl.get("aces")).get("ace")):
        where = f"{name}/{ace.get('name')}"
        if _table(ace.get("actions")).get("forwarding") not in {"accept", "drop"}:
            yield f"{where}: only accept and drop should be used (RFC 8520 section 2)"
        matches = _table(ace.get("matches"))
        for word in ("ipv4", "ipv6"):
            if word not in matches:
                continue
            if family is not None and word != family:
                yield f"{where}: a match of {word} in a list of type {acl.get('type')} (RFC 8519 section 3)"
            yield from _match_problems(_table(matches[word]), where, way)


def _match_problems(match: dict[str, Any], where: str, way: str | None) -> Iterator[str]:
    for leaf, value in match.items():
        if leaf.endswith("-network") and _is_network(value):
            yield f"{where}: an address is used ({leaf}); it should not be (RFC 8520 section 2)"
    if way == "from-device" and "ietf-acldns:src-dnsname" in match:
        yield f"{where}: src-dnsname must not appear in a from-device list (RFC 8520 section 8.2)"
    if way == "to-device" and "ietf-acldns:dst-dnsname" in match:
        yield f"{where}: dst-dnsname must not appear in a to-device list (RFC 8520 section 8.2)"


def _is_network(value: object) -> bool:
    try:
        ipaddress.ip_network(str(value), strict=False)
    except ValueError:
        return False
    return True


def _policy_names(policy: dict[str, Any]) -> list[str]:
    rows = _rows(_table(policy.get("access-lists")).get("access-list"))
    return [str(row.get("name")) for row in rows]


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _rows(value: object) -> list[dict[str, Any]]:
    return [row for row in value if isinstance(row, dict)] if isinstance(value, list) else []
