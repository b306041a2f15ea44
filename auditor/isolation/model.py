"""
What a plan is made of: segments, selectors, access control entries, verdicts.

Standards: RFC 8519 (access control entries: first match wins, accept, drop or
reject).  The initiator decides: an entry speaks of the first packet of a
conversation, replies and ICMP errors about it pass by state.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from auditor.addresses import Address, LinkAddress
from auditor.flows.flow import PacketReference
from auditor.home.model import Keep
from auditor.value_class import value_class

MAIN, LIGHTS, INTERNET, ROUTER, ANYWHERE = "main", "lights", "internet", "router", "anywhere"
"""Segment words.  ``lights`` is where the lights sit, whatever network it is; ``anywhere`` matches all."""

Family = Literal["ipv4", "ipv6"]
FAMILIES: tuple[Family, ...] = ("ipv4", "ipv6")

Forwarding = Literal["accept", "drop", "reject"]
EnforcedBy = Literal["router-forward", "router-input", "access-point", "host"]
Direction = Literal["from-device", "to-device"]

MAX_BECAUSE = 4
"""Packets named by one entry: enough to look it up, few enough to print."""


@value_class
class Segment:
    """A part of the network that only a router joins to others."""

    name: str
    description: str
    clients_reach_each_other: bool | None
    """What the layout says of the access point; None: it says nothing."""
    is_unchanged: bool = False
    """Stays as recorded: what was answered inside it goes on being answered."""


@value_class
class Selector:
    """One end of what an entry matches: all lines given must hold."""

    segment: str
    device_id: str | None = None
    """A device, by its link address where it is the source, by its addresses where it is the destination."""
    link_address: LinkAddress | None = None
    addresses: tuple[Address, ...] = ()
    """One of these; empty: any."""
    name: str | None = None
    """Hostname that the addresses were looked up by, for people."""
    moved: bool = False
    """The device gets a new address with the plan, so that ``addresses`` are planned ones."""


@value_class
class Entry:
    """One access control entry."""

    source: Selector
    destination: Selector
    family: Family | None
    """None: both."""
    transport: str | None
    """``tcp``, ``udp``, ``icmp``, ``icmpv6``, ``igmp``; None: any."""
    port: int | None = None
    """Destination port; None: any."""
    message_types: tuple[int, ...] = ()
    """ICMP and ICMPv6 types; empty: any."""
    direction: Direction = "from-device"
    forwarding: Forwarding = "accept"
    enforced_by: EnforcedBy = "router-forward"
    is_exception: bool = False
    """Lets the lights' side begin something towards the main network: what the layout denies by itself."""
    reason: str = ""
    """For people, and for the comment beside the rule."""
    because: tuple[PacketReference, ...] = ()


@value_class
class Layout:
    """Who sits where, what is routed, and what joins the segments."""

    layout_id: str
    title: str
    router: Literal["nothing", "guest", "vlan", "second-router"]
    """What the router at hand must be able to do."""
    segments: tuple[Segment, ...]
    moves: frozenset[str]
    """device_ids that sit in ``lights``; everybody else stays in ``main``."""
    hub_moves: bool | None
    """None: there is no hub, or the layout leaves no choice."""
    entries: tuple[Entry, ...]
    is_relayed: bool = False
    """A relay passes multicast DNS between the segments."""
    unknown_families: frozenset[str] = frozenset()
    """Families of which nothing can be said between segments."""
    is_router_known: bool = True
    """False: beyond leases and names nobody knows what the router answers to this segment."""
    protection: int = 0
    """0: the main network is as open to the lights as before; 1: fewer contacts with the outside; 2: they
    begin nothing towards the main network but the exceptions."""
    cost: int = 0
    """Order of effort: nothing to buy or set up is 0."""
    does_not_protect: tuple[str, ...] = ()

    @property
    def exceptions(self) -> int:
        """Holes in the wall: entries that let the lights' side begin, and a relay."""
        return sum(entry.is_exception for entry in self.entries) + self.is_relayed

    def segment_of(self, device_id: str) -> str:
        """Where a device sits."""
        return LIGHTS if device_id in self.moves else MAIN

    def segment(self, name: str) -> Segment | None:
        """The segment of that name, or None (``internet`` and ``router`` are none)."""
        return next((one for one in self.segments if one.name == name), None)


class Verdict(StrEnum):
    """What becomes of a recorded flow under a plan."""

    KEPT = "kept"
    CUT = "cut"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Ruling:
    """A verdict and why."""

    verdict: Verdict
    reason: str
    entry: Entry | None = None
    """The entry that decided, where one did."""


@value_class
class WishResult:
    """What becomes of something that must go on working."""

    keep: Keep
    is_assumed: bool
    """Not written in a home file: taken from what was recorded."""
    state: Literal["kept", "broken", "needs-exception", "unknown"]
    because: str
    packets: tuple[PacketReference, ...]


def count_broken(wishes: Iterable[WishResult]) -> int:
    """How many of them a layout breaks."""
    return sum(wish.state == "broken" for wish in wishes)


@value_class
class Step:
    """One thing to do, in words of no maker."""

    do: str
    stops: str
    test: str
    undo: str


@value_class
class Replay:
    """Recorded flows under a plan: ``kept + cut + unknown`` is all of them."""

    kept: int
    cut: int
    unknown: int
    broken: int
    """Of ``cut``: wished for."""
    still_exposed: int
    """Of ``kept``: a finding is about them."""


@value_class
class Plan:
    """One layout, judged."""

    layout: Layout
    wishes: tuple[WishResult, ...]
    replay: Replay
    steps: tuple[Step, ...]
    beside: tuple[str, ...]
    """What must be set up beside the rules."""
    unknown: tuple[str, ...]
    """What the recording could not show about this plan."""
    summary: tuple[str, ...]
    """Two lines; a broken wish is named in the first."""

    @property
    def broken(self) -> int:
        """Wishes that the layout breaks."""
        return count_broken(self.wishes)

    @property
    def exceptions(self) -> int:
        """Holes in the wall: entries that let the lights' side begin, and a relay."""
        return self.layout.exceptions
