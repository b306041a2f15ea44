"""
HTTP/1.0 and HTTP/1.1 requests and responses.

Standards: RFC 9110, RFC 9112; Basic: RFC 7617; bearer: RFC 6750.
Reads:     one direction of a TCP stream, on any port.
Keeps:     credentials as ``Secret``; of a query the names of its parameters; of a body its shape, not its values.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message
from auditor.dissect.syntax.http_head import SightedSecret


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpRequest(Message):
    """A request (RFC 9112 section 3)."""

    method: str
    path: str
    """Path without query; segments that hold a secret or a long random-looking token are written ``*``."""
    query_keys: tuple[str, ...]
    version: str
    """``1.0`` or ``1.1``."""
    host: str | None
    """Host field without port, lower case."""
    user_agent: str | None
    origin: str | None
    content_type: str | None
    """Media type alone, lower case."""
    content_length: int | None
    body_keys: tuple[str, ...]
    """Keys of a JSON object (nested ones joined by ``.``, at most three deep) or names of form fields."""
    body_captured: bool
    """Whether the body was read as far as its keys are asked for."""
    scheme: str | None
    """Authentication scheme of the Authorization field, lower case: ``basic``, ``digest``, ``bearer`` …"""
    has_cookie: bool
    secrets: tuple[SightedSecret, ...]
    upgrade: str | None
    """Token of the Upgrade field, lower case."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpResponse(Message):
    """A final response (RFC 9112 section 4); interim 1xx responses except 101 are passed over."""

    status: int
    version: str
    server: str | None
    content_type: str | None
    content_length: int | None
    body_keys: tuple[str, ...]
    body_captured: bool
    challenge: str | None
    """First scheme of WWW-Authenticate, lower case."""
    allow_origin: str | None
    """Access-Control-Allow-Origin as sent (``*``, ``null`` or an origin)."""
    sets_cookie: bool
    location: str | None
    """Authority of the Location field only: other parts may hold secrets."""
    secrets: tuple[SightedSecret, ...]
    title: str | None
    """Of an HTML body, at most 80 characters."""
