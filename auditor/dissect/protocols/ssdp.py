"""
SSDP: searches and announcements of UPnP.

Standard: UPnP Device Architecture 2.0 section 1 (from memory), heads as RFC 9112.
Reads:    UDP payload.
Keeps:    the authority and path of LOCATION, SERVER, types; the unique part of USN only when it is a UUID.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.dissect.message import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class SsdpMessage(Message):
    """M-SEARCH, NOTIFY or the response to a search."""

    kind: str
    """``search``, ``alive``, ``byebye``, ``update``, ``response``."""
    target: str | None
    """ST or NT."""
    location: str | None
    """LOCATION without query and user info."""
    server: str | None
    """SERVER or USER-AGENT."""
    unique_name: str | None
    """USN."""
    max_age_seconds: int | None
