"""
Credentials that stand readable in the head of an HTTP message.

Standards: RFC 9110 section 11 (authentication), RFC 7617 (Basic), RFC 6750 (bearer), RFC 6265 (cookies),
           RFC 7616 section 3.4 (Digest: its user name is clear), RFC 3986 section 3.2.1 (user information).
"""

from __future__ import annotations

import binascii
import re
from urllib.parse import unquote_to_bytes

from auditor.dissect.syntax.form import Fields, secrets_of, urlencoded_fields
from auditor.dissect.syntax.http_head import HttpHead, SightedSecret
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.secrets import (
    holds_value,
    is_identifier,
    is_session_name,
    kind_of_field,
    looks_random,
)
from auditor.secret import Secret

MAX_PATH_CHARACTERS = 256  # kept of a path; longer ones are data
MAX_COOKIES = 32  # cookies looked at in one field; browsers send fewer to one host
HIDDEN_SEGMENT = "*"

# Fields that hold credentials by name though no standard defines them, beside those that
# ``kind_of_field`` tells by their words; fields whose name ends in "-key" by definition hold none.
NO_SECRET = frozenset({b"sec-websocket-key", b"idempotency-key", b"surrogate-key"})
HANDLED = frozenset({b"authorization", b"proxy-authorization", b"cookie", b"set-cookie"})
DIGEST_USER = re.compile(rb"username=(?:\"([^\"]{1,256})\"|([^\s,\"]{1,256}))", re.IGNORECASE)


def scheme_of(value: bytes | None) -> str | None:
    """Authentication scheme of a field's value, lower case (RFC 9110 11.1)."""
    if not value:
        return None
    return printable(value.split(None, 1)[0].rstrip(b",").lower(), 32)


def secrets_of_head(head: HttpHead) -> list[SightedSecret]:
    """Sight the credentials of a request's fields."""
    found: list[SightedSecret] = []
    for name, value in head.fields:
        if name in (b"authorization", b"proxy-authorization"):
            found.extend(_authorization(name, value))
        elif name == b"cookie":
            pairs = (part.partition(b"=") for part in value.split(b";", MAX_COOKIES)[:MAX_COOKIES])
            for cookie, _, content in pairs:
                found.extend(_cookie(cookie, content))
        else:
            found.extend(named_field(name, value))
    return found


def secrets_of_response(head: HttpHead) -> list[SightedSecret]:
    """Sight the session cookies that a response sets, and fields named like secrets."""
    found: list[SightedSecret] = []
    for name, value in head.fields:
        if name == b"set-cookie":
            cookie, _, content = value.split(b";", 1)[0].partition(b"=")
            found.extend(_cookie(cookie, content))
        else:
            found.extend(named_field(name, value))
    return found


def named_field(name: bytes, value: bytes) -> list[SightedSecret]:
    """A field like ``X-Api-Key``, by its name alone."""
    if name in HANDLED or name in NO_SECRET or not holds_value(value):
        return []
    text = printable(name)
    kind = kind_of_field(text.removeprefix("x-"))
    if kind is None:
        return []
    return [SightedSecret(kind=kind, place="http-header", field=text, secret=Secret(value))]


def _authorization(name: bytes, value: bytes) -> list[SightedSecret]:
    scheme, _, rest = value.partition(b" ")
    scheme, rest, text = scheme.lower(), rest.strip(b" \t"), printable(name)
    if scheme == b"basic":
        return _basic(text, rest)
    if scheme == b"digest":
        user = DIGEST_USER.search(rest)
        if user is None:
            return []
        secret = Secret(user[1] or user[2])
        return [SightedSecret(kind="user-name", place="http-header", field="username", secret=secret)]
    if scheme == b"bearer" and rest:
        return [SightedSecret(kind="token", place="http-bearer", field=text, secret=Secret(rest))]
    # Any other scheme, or a bare token without one (common practice); what a challenge
    # derives anew for each request is no secret to keep, but cannot be told apart here.
    token = rest or value
    if not token or scheme in (b"negotiate", b"ntlm", b"scram-sha-256", b"hawk"):
        return []
    return [SightedSecret(kind="token", place="http-header", field=text, secret=Secret(token))]


def _basic(field: str, encoded: bytes) -> list[SightedSecret]:
    """User name and password (RFC 7617 section 2); no sighting where the encoding is broken."""
    try:
        decoded = binascii.a2b_base64(encoded + b"=" * (-len(encoded) % 4))
    except binascii.Error:
        return []
    user, colon, password = decoded.partition(b":")
    if not colon:
        return []
    found = [SightedSecret(kind="password", place="http-basic", field=field, secret=Secret(password))]
    if user:
        found.insert(0, SightedSecret(kind="user-name", place="http-basic", field=field, secret=Secret(user)))
    return found


def _cookie(name: bytes, value: bytes) -> list[SightedSecret]:
    text, value = printable(name.strip(b" \t")), value.strip(b' \t"')
    if not value or not is_session_name(text):
        return []
    kind = kind_of_field(text)
    kind = kind if kind == "password" else "token"
    return [SightedSecret(kind=kind, place="http-cookie", field=text, secret=Secret(value))]


def split_target(target: bytes) -> tuple[str, Fields, str | None, list[SightedSecret]]:
    """
    Take a request target apart (RFC 9112 3.2).

    Returns:
        The path without anything secret, the fields of the query, the authority of an absolute form
        without user information, and what secrets stood in it.
    """
    authority: str | None = None
    secrets: list[SightedSecret] = []
    scheme, separator, rest = target.partition(b"://")
    if separator and scheme.isalnum():
        octets, slash, path = rest.partition(b"/")
        authority, secrets = split_authority(octets.split(b"?", 1)[0])
        target = slash + path if slash else b"/"
    raw_path, _, query = target.partition(b"?")
    fields = urlencoded_fields(query.split(b"#", 1)[0])
    secrets.extend(secrets_of(fields, "http-url"))
    path_text, in_path = _path(raw_path.split(b"#", 1)[0])
    return path_text, fields, authority, secrets + in_path


def split_authority(octets: bytes) -> tuple[str, list[SightedSecret]]:
    """Host and port in lower case without user information, and the secrets of the latter."""
    info, at, host = octets.rpartition(b"@")
    secrets: list[SightedSecret] = []
    if at and info:
        user, colon, password = unquote_to_bytes(info).partition(b":")
        if user:
            secrets.append(
                SightedSecret(kind="user-name", place="user-info", field="user", secret=Secret(user))
            )
        if colon and password:
            secrets.append(
                SightedSecret(kind="password", place="user-info", field="password", secret=Secret(password))
            )
    return printable(host.lower(), 255), secrets


def host_of(authority: str) -> str | None:
    """The host without its port (RFC 3986 3.2.2: an IPv6 address stands in brackets, which go too)."""
    if authority.startswith("["):
        return authority[1:].split("]", 1)[0] or None
    return authority.split(":", 1)[0] or None


def _path(octets: bytes) -> tuple[str, list[SightedSecret]]:
    secrets: list[SightedSecret] = []
    segments = printable(octets, 8 * MAX_PATH_CHARACTERS).split("/")
    for index, segment in enumerate(segments):
        if looks_random(segment):
            secret = Secret(segment.encode())
            secrets.append(SightedSecret(kind="token", place="http-url", field="path", secret=secret))
            segments[index] = HIDDEN_SEGMENT
        elif is_identifier(segment):
            segments[index] = HIDDEN_SEGMENT
        elif "=" in segment:  # path parameters (RFC 3986 3.3) named like secrets
            name, _, value = segment.rpartition(";")[2].partition("=")
            kind = kind_of_field(name)
            if kind is not None and value:
                secrets.append(
                    SightedSecret(kind=kind, place="http-url", field=name[:64], secret=Secret(value.encode()))
                )
                segments[index] = HIDDEN_SEGMENT
    return "/".join(segments)[:MAX_PATH_CHARACTERS], secrets
