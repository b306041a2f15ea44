"""
The head of an HTTP/1 message, also used by SSDP, RTSP and UPnP descriptions.

Standard: RFC 9112 sections 2 to 6, RFC 9110 section 5 (fields).
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.secret import Secret


@dataclass(frozen=True, slots=True, kw_only=True)
class SightedSecret:
    """A secret and where in the message it stood."""

    kind: str
    """``password``, ``token``, ``user-name``, ``wifi-passphrase``."""
    place: str
    """``http-basic``, ``http-bearer``, ``http-cookie``, ``http-url``, ``http-header``, ``http-form``, ``http-json``,
    ``mqtt-connect``, ``text-key``, ``user-info``."""
    field: str
    """Name of the field, key or parameter that held it (made harmless); never the value."""
    secret: Secret
