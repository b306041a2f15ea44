"""
Layouts that a router can do, computed for one recording: who sits where, what passes.

What a layout does is common practice where no standard says it: guest networks
route to the outside and nowhere else, a second router lets its clients reach
everything upstream and nothing come in.  Each such line says "check".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from auditor.addresses import Address, parse_address
from auditor.inventory.facts import RemoteContactFact
from auditor.inventory.model import Inventory
from auditor.isolation.addressing import Addressing
from auditor.isolation.entries import (
    NAME_PORTS,
    EntryContext,
    Need,
    echo_entries,
    needed_entries,
    passing,
    router_entries,
    walls,
)
from auditor.isolation.flow_classes import FlowClass, FlowClasses
from auditor.isolation.model import INTERNET, LIGHTS, MAIN, ROUTER, Entry, Layout, Segment, Selector
from auditor.isolation.wishes import REMOTE_WISHES, BoundWish, WishBinder
from auditor.value_class import value_class

RELAY_WISH = "discovery"
MAIN_AS_RECORDED = Segment(
    name=MAIN,
    description="the network as it is",
    clients_reach_each_other=None,
    is_unchanged=True,
)
_GUEST_CHECK = "common practice of guest networks; check it, a guest network may be only a second name"
_SECOND_CHECK = "common practice of a router behind a router; check it"


SHOW_GAP = (
    "the show computer shares the lights' segment and loses its other ways: only for one that does nothing "
    "else; where its programme can send to single addresses, it may stay"
)


@value_class
class Place:
    """Who moves beside the lights."""

    hub_moves: bool | None
    """None: there is no hub."""
    show_moves: bool
    """Senders of show data to groups move with the lights."""

    def named(self, word: str) -> str:
        """The identifier of a layout with these places."""
        return word + ("-hub-moves" if self.hub_moves else "") + ("-show-moves" if self.show_moves else "")

    @property
    def words(self) -> str:
        """The end of a layout's title."""
        hub = {None: "", True: "; the hub moves with them", False: "; the hub stays"}[self.hub_moves]
        return hub + ("; the show computer moves with them" if self.show_moves else "")


@value_class
class LayoutMaker:
    """Computes every layout for one household."""

    inventory: Inventory
    classes: FlowClasses
    binder: WishBinder
    wishes: tuple[BoundWish, ...]
    addressing: Addressing
    label: Callable[[str], str]

    def all(self) -> list[Layout]:
        """Every layout, cheapest first; both places of the hub where there is one."""
        layouts = [self._flat(), self._blocked(), self._own_access_point()]
        hub_places: tuple[bool | None, ...] = (False, True) if self.binder.hubs else (None,)
        show_places = (False, True) if self._group_senders else (False,)
        for hub_moves in hub_places:
            for show_moves in show_places:
                place = Place(hub_moves=hub_moves, show_moves=show_moves)
                layouts += [
                    self._guest(place, is_isolated=False),
                    self._guest(place, is_isolated=True),
                    self._second_router(place, lights_behind=True),
                    self._second_router(place, lights_behind=False),
                    self._vlan(place),
                ]
        return layouts

    @property
    def lights(self) -> frozenset[str]:
        """Devices that the plan is about: the judged ones and others that are lights."""
        found = {d.device_id for d in self.inventory.devices if "lighting" in d.roles or d.is_chosen}
        return frozenset(found) - self.classes.parties.routers

    @property
    def _group_senders(self) -> frozenset[str]:
        """Who sends show data to a group: no router passes it on, so that only moving the sender keeps it."""
        found = {
            one.initiator.device_id
            for bound in self.wishes
            if bound.keep.wish == "show-data"
            for one in bound.classes
            if one.responder.kind in {"group", "everybody"} and one.initiator.kind == "device"
        }
        return frozenset(found) - self.lights - self.binder.hubs - self.classes.parties.routers

    def _moves(self, place: Place) -> frozenset[str]:
        moves = self.lights
        if place.hub_moves:
            moves |= self.binder.hubs
        if place.show_moves:
            moves |= self._group_senders
        return moves

    def _flat(self) -> Layout:
        return Layout(
            layout_id="as-it-is",
            title="nothing but this router: everything stays in one network",
            router="nothing",
            segments=(MAIN_AS_RECORDED,),
            moves=frozenset(),
            hub_moves=None,
            entries=(),
            cost=0,
            does_not_protect=(
                "every device of the network reaches the lights, and they reach every device",
                "the lights reach the internet",
            ),
        )

    def _blocked(self) -> Layout:
        entries: list[Entry] = []
        for device_id in sorted(self.lights):
            source = self.addressing.source(device_id, moves=False)
            if source.device_id is None:
                continue
            entries.append(
                Entry(
                    source=source,
                    destination=Selector(segment=INTERNET),
                    family=None,
                    transport=None,
                    forwarding="drop",
                    reason=f"{self.label(device_id)} begins nothing towards the internet",
                )
            )
        return Layout(
            layout_id="internet-blocked",
            title="everything stays in one network; the router stops the lights' way to the internet",
            router="nothing",
            segments=(MAIN_AS_RECORDED,),
            moves=frozenset(),
            hub_moves=None,
            entries=tuple(entries),
            protection=1,
            cost=1,
            does_not_protect=(
                "every device of the network reaches the lights, and they reach every device",
                "some routers stop IPv4 alone when told to block a device: test both",
            ),
        )

    def _own_access_point(self) -> Layout:
        by_hand = {
            one.initiator.device_id
            for bound in self.wishes
            if bound.keep.wish in {"phone-control", "show-data"}
            for one in bound.classes
            if one.initiator.kind == "device"
        }
        return Layout(
            layout_id="own-access-point",
            title="while filming: the light's own access point, with the phone or show computer on it",
            router="nothing",
            segments=(
                MAIN_AS_RECORDED,
                Segment(
                    name=LIGHTS,
                    description="the light's own access point, joined to nothing",
                    clients_reach_each_other=True,
                ),
            ),
            moves=self.lights | frozenset(by_hand - self.classes.parties.routers),
            hub_moves=False if self.binder.hubs else None,
            entries=tuple(_parted_by_air()),
            protection=2,
            cost=1,
            does_not_protect=(
                "whoever is near and knows the access point's password controls the light",
                "more than one light needs more than one access point, or one that carries them all",
            ),
        )

    def _guest(self, place: Place, *, is_isolated: bool) -> Layout:
        router = router_entries(serves_time=False, is_relay=False)
        entries = [
            *router,
            passing(LIGHTS, MAIN, f"guests reach no main device ({_GUEST_CHECK})", forwarding="drop"),
            passing(MAIN, LIGHTS, f"main devices reach no guest ({_GUEST_CHECK})", forwarding="drop"),
            passing(LIGHTS, INTERNET, f"guests reach the internet ({_GUEST_CHECK})"),
            *walls(),
        ]
        return Layout(
            layout_id=place.named("guest-isolated" if is_isolated else "guest"),
            title="the lights on the guest network, "
            + ("which parts its clients from each other" if is_isolated else "without client isolation")
            + place.words,
            router="guest",
            segments=(
                MAIN_AS_RECORDED,
                Segment(
                    name=LIGHTS,
                    description="the router's guest network",
                    clients_reach_each_other=not is_isolated,
                ),
            ),
            moves=self._moves(place),
            hub_moves=place.hub_moves,
            entries=tuple(entries),
            is_router_known=False,
            protection=2,
            cost=2,
            does_not_protect=(
                "the lights reach every host of the internet",
                "real guests share the network with the lights",
            ),
        )

    def _second_router(self, place: Place, *, lights_behind: bool) -> Layout:
        if lights_behind:
            entries = [
                passing(LIGHTS, ROUTER, f"the second router serves its clients ({_SECOND_CHECK})"),
                passing(LIGHTS, MAIN, f"whoever sits behind reaches everything upstream ({_SECOND_CHECK})"),
                passing(LIGHTS, INTERNET, f"whoever sits behind reaches the internet ({_SECOND_CHECK})"),
                walls()[1],
            ]
            gaps: tuple[str, ...] = ("the wrong way round: the lights reach every main device",)
        else:
            entries = [
                passing(LIGHTS, ROUTER, "the outer router serves the lights, its admin page included"),
                passing(MAIN, LIGHTS, f"whoever sits behind reaches everything upstream ({_SECOND_CHECK})"),
                passing(LIGHTS, INTERNET, "the outer router lets the lights out as before"),
                *walls(),
            ]
            gaps = (
                "the lights reach every host of the internet and the outer router's admin page",
                "the second router's own IPv6 behaviour is not known: many pass IPv6 on or have none",
            )
        return Layout(
            layout_id=place.named(
                "lights-behind-second-router" if lights_behind else "main-behind-second-router"
            ),
            title=("the lights" if lights_behind else "the main devices")
            + " behind a second router"
            + place.words,
            router="second-router",
            segments=(
                Segment(
                    name=MAIN,
                    description="the first router's network"
                    if lights_behind
                    else "the network behind the second router",
                    clients_reach_each_other=None,
                    is_unchanged=True,
                ),
                Segment(
                    name=LIGHTS,
                    description="the network behind the second router"
                    if lights_behind
                    else "the first router's network",
                    clients_reach_each_other=True,
                ),
            ),
            moves=self._moves(place),
            hub_moves=place.hub_moves,
            entries=tuple(entries),
            unknown_families=frozenset({"ipv6"}),
            protection=0 if lights_behind else 2,
            cost=3,
            does_not_protect=gaps,
        )

    def _vlan(self, place: Place) -> Layout:
        moves = self._moves(place)
        context = EntryContext(
            classes=self.classes,
            addressing=self.addressing,
            moves=moves,
            names=_names(self.inventory),
            label=self.label,
        )
        needs = [*self._wished_needs(), *self._name_needs(moves)]
        if place.hub_moves:
            needs += self._hub_needs()
        is_relay = any(bound.keep.wish == RELAY_WISH and bound.classes for bound in self.wishes)
        serves_time = any(
            one.responder.kind == "router"
            for bound in self.wishes
            if bound.keep.wish == "time"
            for one in bound.classes
        )
        entries = [
            *router_entries(serves_time=serves_time, is_relay=is_relay),
            *needed_entries(context, needs),
            *echo_entries(),
            *walls(),
        ]
        return Layout(
            layout_id=place.named("vlan"),
            title="the lights in a segment of their own (VLAN), few ways open" + place.words,
            router="vlan",
            segments=(
                MAIN_AS_RECORDED,
                Segment(
                    name=LIGHTS,
                    description="a segment of their own, with its own wireless name, client isolation off",
                    clients_reach_each_other=True,
                ),
            ),
            moves=moves,
            hub_moves=place.hub_moves,
            entries=tuple(entries),
            is_relayed=is_relay,
            protection=2,
            cost=4,
            does_not_protect=(
                "main devices reach the lights' control ports, as wished",
                "the lights reach each other: one that is taken over reaches the rest of its segment",
                *(("the hub shares the lights' segment",) if place.hub_moves else ()),
                *((SHOW_GAP,) if place.show_moves else ()),
            ),
        )

    def _wished_needs(self) -> Iterable[Need]:
        for bound in self.wishes:
            for one in bound.classes:
                yield Need(one=one, reason=f"wish {bound.keep.wish}")

    def _name_needs(self, moves: frozenset[str]) -> Iterable[Need]:
        """Lookups elsewhere than at the router, for those whose outside contacts are wished for."""
        outside = {
            one.initiator.device_id
            for bound in self.wishes
            if bound.keep.wish in REMOTE_WISHES
            for one in bound.classes
            if one.responder.kind == "outside"
        }
        for one in self.classes.tallies:
            if one.initiator.device_id in outside & moves and _is_lookup(one):
                yield Need(one=one, reason="names for the outside contacts that are wished for")

    def _hub_needs(self) -> Iterable[Need]:
        """What the hub did with others, answered: moving it must not end that."""
        for one, tally in self.classes.tallies.items():
            ends = {one.initiator.device_id, one.responder.device_id}
            if not ends & self.binder.hubs or not tally.answered or one.transport not in {"tcp", "udp"}:
                continue
            yield Need(one=one, reason="what the hub did before it moved")


def _parted_by_air() -> list[Entry]:
    """An access point that is joined to nothing: it gives addresses, and no router is there to ask."""
    lights, router = Selector(segment=LIGHTS), Selector(segment=ROUTER)
    leases = Entry(
        source=lights,
        destination=router,
        family="ipv4",
        transport="udp",
        port=67,
        reason="addresses from the access point itself",
    )
    no_router = passing(LIGHTS, ROUTER, "no router is on that network", forwarding="drop")
    return [replace(entry, enforced_by="access-point") for entry in (leases, no_router, *walls())]


def _is_lookup(one: FlowClass) -> bool:
    return one.transport in {"tcp", "udp"} and one.port in NAME_PORTS


def _names(inventory: Inventory) -> dict[Address, str]:
    return {
        parse_address(fact.address): fact.name
        for fact in inventory.facts.get("remote-contact", ())
        if isinstance(fact, RemoteContactFact) and fact.name
    }
