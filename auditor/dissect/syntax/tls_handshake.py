"""
The hello messages of TLS, shared by TLS over TCP and whatever else carries them.

Standards: RFC 8446 section 4.1 (hello messages), 4.2 (extensions), RFC 5246 section 7.4.1, RFC 6066 section 3
           (server_name), RFC 7301 section 3.1 (ALPN), RFC 8701 (GREASE), RFC 9849 section 5 (ECH).
Reads:     the body of one handshake message.
Keeps:     what the message classes of ``protocols/tls.py`` name; nothing random, no keys.
"""

from __future__ import annotations

from functools import lru_cache
from struct import Struct, unpack

from auditor.dissect.syntax.printable import printable
from auditor.errors import LimitError, MalformedError
from auditor.value_class import value_class
from auditor.wire import Cursor

# RFC 8446 4.2 ExtensionType; RFC 9849 section 5
SERVER_NAME, ALPN, SUPPORTED_VERSIONS, COOKIE, ENCRYPTED_CLIENT_HELLO = 0, 16, 43, 44, 0xFE0D
READ = frozenset({SERVER_NAME, ALPN, SUPPORTED_VERSIONS, COOKIE, ENCRYPTED_CLIENT_HELLO})
HOST_NAME = 0  # RFC 6066 section 3 NameType

# RFC 8446 4.1.3: the Random of a ServerHello that is a HelloRetryRequest.
RETRY_REQUEST_RANDOM = bytes.fromhex("CF21AD74E59A6111BE1D8C021E65B891C2A211167ABB8C5E079E09E2C8A8339C")

MAX_EXTENSIONS = 64  # browsers send some 20
MAX_PROTOCOLS = 16  # ALPN names kept; clients offer a few
MAX_VERSIONS = 16  # versions kept of an offer; there are seven
MAX_SUITES = 256  # kept; the registry has about 350 and clients offer some 20 to 100
MAX_HOST_NAME = 255  # RFC 1035 2.3.4

_BEGINNING = Struct(
    ">H32sB"
)  # RFC 8446 4.1.2, 4.1.3: legacy_version, random, length of the session identifier
_EXTENSION = Struct(">HH")  # RFC 8446 4.2: type and length


@value_class
class ClientHelloFields:
    """Content of a ClientHello; meanings as in ``protocols/tls.py``."""

    server_name: str | None
    application_protocols: tuple[str, ...]
    versions: tuple[int, ...]
    cipher_suites: tuple[int, ...]
    has_encrypted_client_hello: bool
    has_cookie: bool = False
    """The hello repeats what the server asked for (RFC 6347 4.2.1, RFC 8446 4.2.2)."""


@value_class
class ServerHelloFields:
    """Content of a ServerHello."""

    version: int
    cipher_suite: int
    application_protocol: str | None
    is_retry_request: bool


def is_grease(value: int) -> bool:
    """Whether a number of two octets is one of those reserved to be ignored (RFC 8701 section 2)."""
    return value & 0x0F0F == 0x0A0A and value >> 8 == value & 0xFF


def parse_client_hello(body: Cursor, *, is_datagram: bool = False) -> ClientHelloFields:
    """Parse the body of a ClientHello; ``is_datagram``: of DTLS (RFC 6347 4.2.1); raises ``DecodeError``."""
    legacy_version, _ = _beginning(body, "legacy_session_id", is_datagram=is_datagram)
    has_cookie = False
    if is_datagram:
        cookie_octets = body.uint(1, "cookie")
        body.block(cookie_octets, "cookie")
        has_cookie = cookie_octets > 0
    suites_at = body.offset
    suites = body.block(body.uint(2, "cipher_suites"), "cipher_suites")
    if suites.remaining % 2 or not suites.remaining:
        raise MalformedError("cipher_suites", suites_at, f"{suites.remaining} octets")
    offered = _numbers(suites.take(suites.remaining, "cipher_suites"), MAX_SUITES)
    body.skip(body.uint(1, "legacy_compression_methods"), "legacy_compression_methods")
    extensions = _extensions(body)

    versions: tuple[int, ...] = (legacy_version,)
    if (held := extensions.get(SUPPORTED_VERSIONS)) is not None:
        listed = held.block(held.uint(1, "supported_versions"), "supported_versions")
        octets = listed.take(listed.remaining & ~1, "supported_versions")
        # The numbers of DTLS are complements: a higher version has a lower one (RFC 6347 4.1).
        versions = tuple(sorted(set(_numbers(octets, MAX_VERSIONS)), reverse=not is_datagram))
    return ClientHelloFields(
        server_name=_server_name(extensions.get(SERVER_NAME)),
        application_protocols=_protocols(extensions.get(ALPN)),
        versions=versions,
        cipher_suites=offered,
        has_encrypted_client_hello=ENCRYPTED_CLIENT_HELLO in extensions,
        has_cookie=has_cookie or COOKIE in extensions,
    )


def parse_server_hello(body: Cursor, *, is_datagram: bool = False) -> ServerHelloFields:
    """Parse the body of a ServerHello or HelloRetryRequest; raises ``DecodeError``."""
    version, random = _beginning(body, "legacy_session_id_echo", is_datagram=is_datagram)
    suite = body.uint(2, "cipher_suite")
    body.skip(1, "legacy_compression_method")
    extensions = _extensions(body)
    if (held := extensions.get(SUPPORTED_VERSIONS)) is not None:
        version = held.uint(2, "supported_versions")
    protocols = _protocols(extensions.get(ALPN))
    return ServerHelloFields(
        version=version,
        cipher_suite=suite,
        application_protocol=protocols[0] if protocols else None,
        is_retry_request=random == RETRY_REQUEST_RANDOM,
    )


def _beginning(body: Cursor, session: str, *, is_datagram: bool) -> tuple[int, bytes]:
    """Version and random, up to behind the session identifier, which is named ``session``."""
    at = body.offset
    fixed = body.unpack(_BEGINNING)  # None: field by field, to tell which is cut off
    version = body.uint(2, "legacy_version") if fixed is None else fixed[0]
    if version >> 8 != (0xFE if is_datagram else 3):
        raise MalformedError("legacy_version", at, f"0x{version:04x}")
    random = body.take(32, "random") if fixed is None else fixed[1]
    body.skip(body.uint(1, session) if fixed is None else fixed[2], session)
    return version, random


@lru_cache(maxsize=64)  # of at most 64 KiB, and the same few in all hellos of a home
def _numbers(octets: bytes, limit: int) -> tuple[int, ...]:
    values = unpack(f">{len(octets) // 2}H", octets[: len(octets) & ~1])
    return tuple([value for value in values if not is_grease(value)][:limit])


def _extensions(body: Cursor) -> dict[int, Cursor]:
    """Those of ``READ`` by type, the first of each; none at all before TLS 1.2 (RFC 5246 7.4.1.2)."""
    found: dict[int, Cursor] = {}
    if not body.remaining:
        return found
    block = body.block(body.uint(2, "extensions"), "extensions")
    body.finish("extensions")
    for _ in range(MAX_EXTENSIONS):
        fixed = block.unpack(_EXTENSION)  # None: as in _beginning, or nothing is left
        if fixed is None:
            if not block.remaining:
                return found
            fixed = block.uint(2, "extension_type"), block.uint(2, "extension_data")
        kind, length = fixed
        if kind in READ and kind not in found:
            found[kind] = block.block(length, "extension_data")
        else:
            block.skip(length, "extension_data")
    raise LimitError("extensions", block.offset, f"more than {MAX_EXTENSIONS}")


def _server_name(extension: Cursor | None) -> str | None:
    if extension is None or not extension.remaining:
        return None
    names = extension.block(extension.uint(2, "server_name_list"), "server_name_list")
    while names.remaining:  # each turn reads three octets or more
        kind = names.uint(1, "name_type")
        name = names.block(names.uint(2, "host_name"), "host_name")
        if kind == HOST_NAME:
            return printable(name.take(name.remaining, "host_name"), MAX_HOST_NAME).lower() or None
    return None


def _protocols(extension: Cursor | None) -> tuple[str, ...]:
    if extension is None or not extension.remaining:
        return ()
    names = extension.block(extension.uint(2, "protocol_name_list"), "protocol_name_list")
    found: list[str] = []
    while names.remaining and len(found) < MAX_PROTOCOLS:
        name = names.take(names.uint(1, "protocol_name"), "protocol_name")
        if not (len(name) == 2 and is_grease(int.from_bytes(name, "big"))):
            found.append(printable(name))
    return tuple(found)
