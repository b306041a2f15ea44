"""What a comparison delivers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from auditor.flows.flow import PacketReference
from auditor.home.model import Keep
from auditor.value_class import value_class

State = Literal["stopped", "works", "new", "not-tried", "not-visible"]
WishFate = Literal["kept", "lost", "not-tried"]
Place = Literal["home", "lights", "router", "outside", "group"]


class ConversationKey(NamedTuple):
    """What makes two conversations of two recordings the same: ends by identity, never by address."""

    initiator: str
    """A device_id (of the second recording where it is in it), ``router``, ``home``, ``outside:`` and the
    name (else the address), ``group:`` and the address, or ``broadcast``."""
    responder: str
    family: str
    transport: str
    port: int


@dataclass(slots=True, kw_only=True)
class Tries:
    """How often it was tried in one recording, and what came of it."""

    flows: int = 0
    answered: int = 0
    outcomes: dict[str, int] = field(default_factory=dict)
    packets: list[PacketReference] = field(default_factory=list)
    refused_by: str | None = None
    """Who sent the refusal: a device_id, ``router`` or an address."""
    is_prohibited: bool = False
    crosses_router: bool = False
    """The far end was seen behind the router's link address."""
    median_seconds: float | None = None
    first_ns: int = 0
    last_ns: int = 0


@value_class
class Conversation:
    """One conversation and what became of it."""

    key: ConversationKey
    device_id: str
    """The judged device."""
    peer: str
    place: Place
    """Where the peer is."""
    before: Tries | None
    after: Tries | None
    state: State
    proven: bool
    """Worked before and is stopped now, or a refusal on the way was recorded."""
    wished: bool
    because: str

    @property
    def begun_by_device(self) -> bool:
        """The judged device began it."""
        return self.key.initiator == self.device_id


@value_class
class WishChange:
    """What became of a wish."""

    keep: Keep
    is_assumed: bool
    state: WishFate
    because: str


@value_class
class Refusal:
    """Why nothing can be told of a recording, or of two, and what to do about it."""

    reason: str
    record_next: str | None = None
    """None: what the recording itself asks for."""


@value_class
class Comparison:
    """Everything that two recordings tell of each other."""

    conversations: tuple[Conversation, ...]
    wishes: tuple[WishChange, ...]
    notes: tuple[str, ...]
    """What the reader must know beside the rows: other order, not separated, devices that are missing."""
    refusal: Refusal | None
    """Why nothing can be said; None where something can."""
