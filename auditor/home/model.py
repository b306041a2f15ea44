"""What a home file says; every part is optional."""

from __future__ import annotations

from datetime import date
from typing import Literal

from auditor.addresses import LinkAddress
from auditor.value_class import value_class

Role = Literal[
    "lighting", "hub", "phone", "computer", "router", "resolver", "server", "broker", "recorder", "unknown"
]
ROLES: tuple[Role, ...] = (
    "lighting",
    "hub",
    "phone",
    "computer",
    "router",
    "resolver",
    "server",
    "broker",
    "recorder",
    "unknown",
)
Wish = Literal[
    "phone-control",
    "voice",
    "discovery",
    "hub-controls-light",
    "light-follows-hub",
    "light-to-light",
    "show-data",
    "cloud",
    "time",
    "updates",
    "separation",
]
WISHES: tuple[Wish, ...] = (
    "phone-control",
    "voice",
    "discovery",
    "hub-controls-light",
    "light-follows-hub",
    "light-to-light",
    "show-data",
    "cloud",
    "time",
    "updates",
    "separation",
)


@value_class
class HomeDevice:
    """A device that the household named."""

    link_address: LinkAddress
    role: Role
    nickname: str | None


@value_class
class Keep:
    """Something that must go on working."""

    wish: Wish
    from_device: str | None
    """Nickname or link address as written; None: any."""
    to_device: str | None


@value_class
class Action:
    """Something the user did during the recording."""

    at_ns: int
    what: str
    """The user's own words; known ones are ``power-on``, ``app``, ``app-mobile``, ``hub``, ``voice``,
    ``mirror``, ``cable-out``, ``cable-in``, ``update``."""


@value_class
class Acceptance:
    """A finding the household lives with, until a date."""

    rule: str
    device: str | None
    """Nickname or link address as written; None: every device."""
    because: str
    until: date
    location: str
    """``file:line:column``, for messages."""


@value_class
class Home:
    """A home file, typed."""

    devices: tuple[HomeDevice, ...] = ()
    keep: tuple[Keep, ...] = ()
    router: Literal["nothing", "guest", "vlan"] | None = None
    actions: tuple[Action, ...] = ()
    accepted: tuple[Acceptance, ...] = ()
    pseudonym_key: bytes | None = None
