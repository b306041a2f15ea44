"""The fact that only a comparison of two recordings knows."""

from __future__ import annotations

from typing import ClassVar

from auditor.inventory.fact_base import Fact
from auditor.value_class import value_class


@value_class
class ConversationChangeFact(Fact):
    """``conversation-change``: what became of a conversation that a device begins (comparisons alone)."""

    PEERS: ClassVar[tuple[str, ...]] = ("peer",)

    peer_id: str
    """A device, ``router``, ``home``, ``broadcast``, or ``group:`` or ``outside:`` and which."""
    peer_role: tuple[str, ...]
    place: str
    """``home``, ``lights``, ``router``, ``outside`` or ``group``: where the peer is."""
    family: str | None
    """``ipv4`` or ``ipv6``; None: nothing was tried in either recording."""
    transport: str | None
    port: int | None
    state: str
    """``stopped``, ``works``, ``new``, ``not-tried``, ``not-visible``."""
    works: bool | None
    """It was answered in the second recording; None: not tried, or not visible."""
    proven: bool
    """Stopped, and it worked before or the refusal on the way was recorded."""
    wished: bool
    """Something that must go on stands for it."""
    holds: bool | None
    """Over this family: at least one attempt at the home was proven to stop, and nothing unwished was
    answered; None: nothing was proven."""
