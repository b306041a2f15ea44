"""
Wishes bound to what was recorded: which flows must go on for the lights to go on working.

A wish that no recorded flow stands for is never kept: its state is unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from auditor.addresses import Address, parse_address, parse_link
from auditor.home.model import Home, Keep, Wish
from auditor.inventory.facts import LocalContactFact, RemoteContactFact, ServiceFact
from auditor.inventory.model import Inventory
from auditor.isolation.flow_classes import ICMP_ERRORS, ICMPV6_ERRORS, End, FlowClass, FlowClasses
from auditor.isolation.model import MAX_BECAUSE, Ruling, Verdict, WishResult
from auditor.isolation.replay import Replayer
from auditor.value_class import value_class

SHOW_PORTS: Mapping[int, str] = {5568: "E1.31", 6454: "Art-Net", 4048: "DDP"}
"""Show data, UDP: ANSI E1.31-2018 (5568), the published Art-Net 4 specification (6454), DDP (4048)."""
DISCOVERY_PORTS = frozenset({5353, 1900, 3702, 5355})
"""mDNS (RFC 6762), SSDP, WS-Discovery, LLMNR (RFC 4795): IANA port numbers."""
ASSUMED: tuple[Wish, ...] = (
    "phone-control",
    "hub-controls-light",
    "light-follows-hub",
    "light-to-light",
    "show-data",
    "time",
)
"""Taken as wished for where there is no home file and the recording shows them: without them the lights stop
doing what they did.  The outside and the automatic finding of devices are not assumed."""
WishState = Literal["kept", "broken", "needs-exception", "unknown"]
APART = 2  # protection of a layout in which the lights begin nothing towards the main network
REMOTE_WISHES = frozenset({"cloud", "time", "updates"})
DEVICE_KINDS = frozenset({"device", "home"})
SHELLS = frozenset({"ssh", "telnet", "ftp", "tftp"})
"""Services for maintenance, by their octets: no control of light."""
CONTROLLERS = frozenset({"phone", "computer", "unknown"})
"""Roles of whoever steers by hand; a phone whose role could not be told is most likely among the unknown."""


@value_class
class BoundWish:
    """A wish and the classes of flows that stand for it."""

    keep: Keep
    is_assumed: bool
    classes: tuple[FlowClass, ...]
    problem: str | None
    """Why it cannot be bound at all."""


class WishBinder:
    """Binds the wishes of one home file to one recording."""

    def __init__(self, home: Home, inventory: Inventory, classes: FlowClasses) -> None:
        self._home = home
        self._inventory = inventory
        self._classes = classes
        self.roles = {device.device_id: frozenset(device.roles) for device in inventory.devices}
        self.lights = frozenset(d.device_id for d in inventory.devices if d.is_chosen)
        lighting = {d.device_id for d in inventory.devices if "lighting" in d.roles}
        self._lighting = self.lights | lighting
        self.hubs = frozenset(
            device_id
            for device_id, roles in self.roles.items()
            if roles & {"hub", "broker"} and device_id not in self._lighting
        )
        self._purposes = _remote_purposes(inventory)
        self._shells = _shells(inventory)
        self._local_time = _local_ports(inventory, "time")

    def bind(self) -> tuple[BoundWish, ...]:
        """Every wish, in the order of the home file; assumed ones where nothing is wished for in writing."""
        if self._home.keep:
            return tuple(self._bind(keep, is_assumed=False) for keep in self._home.keep)
        assumed = (
            self._bind(Keep(wish=wish, from_device=None, to_device=None), is_assumed=True) for wish in ASSUMED
        )
        return tuple(one for one in assumed if one.classes)

    def _bind(self, keep: Keep, *, is_assumed: bool) -> BoundWish:
        problem, ends = None, []
        for written in (keep.from_device, keep.to_device):
            device_id = None if written is None else self._find(written)
            if written is not None and device_id is None:
                problem = f"it names {written}, which is no device of this recording"
            ends.append(device_id)
        source, destination = ends
        if problem is None:
            problem = self._contradiction(keep, source, destination)
        found: tuple[FlowClass, ...] = ()
        if problem is None:
            found = tuple(
                one
                for one in self._classes.tallies
                if self._worked(one) and _is_of(one, source, destination) and self._stands_for(keep.wish, one)
            )
            if keep.wish == "voice" and not found:
                problem = self._unheard_voice()
        return BoundWish(keep=keep, is_assumed=is_assumed, classes=found, problem=problem)

    def _unheard_voice(self) -> str:
        """Voice that goes through a cloud is one more order inside encrypted traffic."""
        has_cloud = any(
            one.responder.kind == "outside"
            and one.initiator.device_id in self._lighting
            and self._is_remote("cloud", one)
            for one in self._classes.tallies
        )
        way = (
            "the lights keep a way to a cloud, and voice most likely comes through it"
            if has_cloud
            else "nor do the lights keep a way to a cloud here"
        )
        return (
            f"no hub or assistant was recorded driving a light inside the home; {way}. Voice through a cloud "
            "cannot be told apart from other encrypted traffic: wish for cloud as well, and try it by voice"
        )

    def _contradiction(self, keep: Keep, source: str | None, destination: str | None) -> str | None:
        if source is not None and source == destination:
            return "it names one device as both ends"
        needs_light_source = {"light-follows-hub", "light-to-light", *REMOTE_WISHES}
        if keep.wish in needs_light_source and source is not None and source not in self._lighting:
            return "it speaks of what a light begins, but the device it comes from is no light"
        needs_light_target = {"phone-control", "hub-controls-light"}
        if keep.wish in needs_light_target and destination is not None and destination not in self._lighting:
            return "it speaks of control of a light, but the device it goes to is no light"
        if keep.wish in {"hub-controls-light", "light-follows-hub"} and not self.hubs:
            return "no hub is in this recording"
        return None

    def _find(self, written: str) -> str | None:
        folded = written.strip().casefold()
        for device in self._inventory.devices:
            names = {
                (device.nickname or "").casefold(),
                device.device_id,
                *map(str.casefold, device.hostnames),
            }
            if folded in names - {""}:
                return device.device_id
        for read, field_name in ((parse_link, "link_addresses"), (parse_address, "addresses")):
            try:
                wanted: object = read(written.strip())
            except ValueError:
                continue
            for device in self._inventory.devices:
                if wanted in getattr(device, field_name):
                    return device.device_id
        return None

    def _stands_for(self, wish: Wish, one: FlowClass) -> bool:
        if wish == "separation" or one.family == "link" or _is_error(one):
            return False  # no flow stands for being apart: the layout is judged
        first, second = one.initiator, one.responder
        if wish in REMOTE_WISHES:
            return first.device_id in self._lighting and self._is_remote(wish, one)
        if wish == "discovery":
            return self._is_discovery(one)
        if wish == "show-data":
            towards = second.device_id in self._lighting or second.kind in {"group", "everybody"}
            return one.transport == "udp" and one.port in SHOW_PORTS and towards
        if one.transport not in {"tcp", "udp"} or one.port in DISCOVERY_PORTS:
            return False
        if wish == "light-to-light":
            if first.device_id not in self._lighting:
                return False
            is_group = second.kind in {"group", "everybody"} and one.port not in {
                67,
                68,
                546,
                547,
                *SHOW_PORTS,
            }
            return is_group or second.device_id in self._lighting
        if wish == "light-follows-hub":
            return first.device_id in self._lighting and second.device_id in self.hubs
        if second.device_id not in self._lighting or first.kind not in DEVICE_KINDS:
            return False
        if (second.device_id, one.transport, one.port) in self._shells:
            return False  # nobody steers light by a shell: a plan opens none for a wish
        if wish in {"hub-controls-light", "voice"}:
            return first.device_id in self.hubs
        return self._steers_by_hand(first)

    def _worked(self, one: FlowClass) -> bool:
        """An attempt without an answer is nothing that could go on working."""
        return one.transport != "tcp" or self._classes.tallies[one].answered > 0

    def _steers_by_hand(self, end: End) -> bool:
        if end.kind == "home" or end.device_id in self._lighting or end.device_id in self.hubs:
            return False
        return bool(self.roles.get(end.device_id, frozenset()) & CONTROLLERS)

    def _is_remote(self, wish: Wish, one: FlowClass) -> bool:
        if one.responder.kind != "outside":
            return wish == "time" and (one.responder.device_id, one.port) in self._local_time
        purpose = self._purposes.get((one.responder.address, one.transport, one.port), "other")
        return purpose == {"cloud": "other", "time": "time", "updates": "update"}[wish]

    def _is_discovery(self, one: FlowClass) -> bool:
        return (
            one.transport == "udp"
            and one.port in DISCOVERY_PORTS
            and one.responder.kind in {"group", "everybody"}
            and one.initiator.kind == "device"
        )

    def listeners(self) -> dict[int, frozenset[str]]:
        """Lights listen for show data, whether they ever say so or not."""
        return dict.fromkeys(SHOW_PORTS, self.lights)


def judge_wish(bound: BoundWish, replayer: Replayer, classes: FlowClasses) -> WishResult:
    """
    What becomes of a wish under the layout that was replayed.

    A conversation lives on as long as one of its families does; a wish is broken
    as soon as one of its conversations is.
    """
    state, because, named = _judge(bound, replayer)
    if bound.keep.wish == "voice" and bound.classes:
        because += (
            ". This is the way through the hub; voice through a cloud cannot be told apart here: try it"
        )
    packets = sorted({packet for one in named for packet in classes.tallies[one].packets})
    return WishResult(
        keep=bound.keep,
        is_assumed=bound.is_assumed,
        state=state,
        because=because,
        packets=tuple(packets[:MAX_BECAUSE]),
    )


def _judge(bound: BoundWish, replayer: Replayer) -> tuple[WishState, str, list[FlowClass]]:
    if bound.keep.wish == "separation":
        if replayer.layout.protection >= APART:
            return "kept", "the lights have a segment of their own, and begin nothing towards the rest", []
        return "broken", "the lights reach computers, servers and phones of the main network as before", []
    if bound.problem is not None:
        return "unknown", bound.problem, []
    if not bound.classes:
        return "unknown", "the recording holds no answered conversation of it; record it being used", []
    conversations: dict[tuple[End, End, str, int], list[tuple[FlowClass, Ruling]]] = {}
    for one in bound.classes:
        key = (one.initiator, one.responder, one.transport, one.port)
        conversations.setdefault(key, []).append((one, replayer.ruling_on(one)))
    cut: list[tuple[FlowClass, Ruling]] = []
    unknown: list[tuple[FlowClass, Ruling]] = []
    kept: list[tuple[FlowClass, Ruling]] = []
    for members in conversations.values():
        best = min(members, key=lambda member: _ORDER[member[1].verdict])
        {Verdict.KEPT: kept, Verdict.UNKNOWN: unknown, Verdict.CUT: cut}[best[1].verdict].append(best)
    if cut:
        rest = f"; still works: {_reasons(kept)}" if kept else ""
        return "broken", _reasons(cut) + rest, [one for one, _ in cut]
    if unknown:
        is_relay = replayer.layout.is_relayed and bound.keep.wish == "discovery"
        return (
            "needs-exception" if is_relay else "unknown",
            _reasons(unknown),
            [one for one, _ in unknown],
        )
    excepted = [(one, ruling) for one, ruling in kept if ruling.entry and ruling.entry.is_exception]
    if excepted:
        return "needs-exception", _reasons(excepted), [one for one, _ in excepted]
    return "kept", _reasons(kept), [one for one, _ in kept]


_ORDER = {Verdict.KEPT: 0, Verdict.UNKNOWN: 1, Verdict.CUT: 2}


def _reasons(members: list[tuple[FlowClass, Ruling]]) -> str:
    """The different reasons, each with its ports and families."""
    where: dict[str, set[str]] = {}
    for one, ruling in members:
        port = f" port {one.port}" if one.port else ""
        where.setdefault(ruling.reason, set()).add(f"{one.transport}{port} over {_FAMILY_WORDS[one.family]}")
    return "; ".join(f"{', '.join(sorted(places))}: {reason}" for reason, places in where.items())


_FAMILY_WORDS = {"ipv4": "IPv4", "ipv6": "IPv6", "link": "the link"}


def _is_of(one: FlowClass, source: str | None, destination: str | None) -> bool:
    return (source is None or one.initiator.device_id == source) and (
        destination is None
        or one.responder.device_id == destination
        or one.responder.kind in {"group", "everybody"}
    )


def _is_error(one: FlowClass) -> bool:
    return one.message_type in (ICMP_ERRORS if one.transport == "icmp" else ICMPV6_ERRORS)


def _remote_purposes(inventory: Inventory) -> dict[tuple[Address, str, int], str]:
    """What each outside endpoint is for; an update or the time outweighs what else goes there."""
    purposes: dict[tuple[Address, str, int], str] = {}
    for fact in inventory.facts.get("remote-contact", ()):
        if isinstance(fact, RemoteContactFact):
            key = (parse_address(fact.address), fact.transport, fact.port)
            if purposes.get(key, "other") == "other":
                purposes[key] = fact.purpose
    return purposes


def _shells(inventory: Inventory) -> set[tuple[str, str, int]]:
    return {
        (fact.device_id, fact.transport, fact.port)
        for fact in inventory.facts.get("service", ())
        if isinstance(fact, ServiceFact) and fact.application_protocol in SHELLS
    }


def _local_ports(inventory: Inventory, purpose: str) -> set[tuple[str, int]]:
    return {
        (fact.peer_id, fact.port)
        for fact in inventory.facts.get("local-contact", ())
        if isinstance(fact, LocalContactFact) and fact.purpose == purpose
    }
