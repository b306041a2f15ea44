"""What is at hand for recording, as far as somebody said; None is "not said"."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from auditor.addresses import LinkAddress
from auditor.home.model import Wish


class PlaceId(StrEnum):
    """Places at which a recording can be made."""

    ROUTER = "router"
    MIRROR = "mirror"
    ACCESS_POINT = "access-point"
    HOTSPOT = "hotspot"
    OWN_HOST = "own-host"


class System(StrEnum):
    """What runs on the computer that records."""

    LINUX = "linux"
    MACOS = "macos"
    WINDOWS = "windows"


class Link(StrEnum):
    """How the light is connected."""

    WIFI = "wifi"
    WIRED = "wired"


DEFAULT_KEEP: tuple[Wish, ...] = ("phone-control", "discovery", "time")
"""What a light in use needs before anybody is asked (common practice)."""

DEFAULT_MINUTES = 10
"""The list of actions takes ten minutes."""

MAX_MINUTES = 7 * 24 * 60
"""A week: for what comes less often, such as an update, one keeps watch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Answers to the questions before a recording."""

    places: frozenset[PlaceId]
    """Where recording is possible; every computer has ``own-host``."""
    system: System
    light_link: Link
    keep: tuple[Wish, ...]
    minutes: int
    universes: int
    """Of lighting data that is sent while recording; 0 where there is none."""
    interface: str | None
    light: LinkAddress | None
    assumed: tuple[str, ...]
    """What nobody said and was taken for granted, in words."""
    home_file: str | None = None
    """As it is to be typed; None where none was named."""
