"""
From facts and wishes to plans: every layout tried on the recording, one recommended.

Order of choice, first that differs: fewer wishes broken, more protection, fewer
exceptions, fewer devices to move, fewer entries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Literal, NamedTuple

from auditor.errors import JudgementError
from auditor.flows.flow import Flow, FlowKey, PacketReference
from auditor.home.model import Home
from auditor.inventory.choose import check_chosen
from auditor.inventory.model import Inventory
from auditor.isolation.addressing import Addressing, plan_addresses
from auditor.isolation.flow_classes import FlowClasses
from auditor.isolation.model import INTERNET, LIGHTS, Layout, Plan, Verdict, WishResult, count_broken
from auditor.isolation.options import LayoutMaker
from auditor.isolation.replay import Replayer
from auditor.isolation.steps import beside_the_rules, foretell, write_steps
from auditor.isolation.wishes import BoundWish, WishBinder, judge_wish
from auditor.ruleset.finding import Judgement, Severity
from auditor.value_class import value_class

Router = Literal["nothing", "guest", "vlan"]
FEASIBLE: Mapping[str, frozenset[str]] = {
    "nothing": frozenset({"nothing"}),
    "guest": frozenset({"nothing", "guest"}),
    "vlan": frozenset({"nothing", "guest", "vlan"}),
}
EXPOSED_FROM = Severity.LOW
"""From here on a finding makes a kept flow "still exposed"; what is only listed does not."""
ONLY_FOR_A_WHILE = frozenset({"own-access-point"})
UNPLANNABLE_VANTAGES = frozenset(
    {"outside-nat", "multicast-only", "announcements-only", "wireless-encrypted"}
)
"""From there conversations inside the home cannot be seen, so that no wish could be tried on them."""


@value_class
class Proposal:
    """All plans for one household, and what they were tried on."""

    recommended: Plan
    cheaper: Plan | None
    """The best one of less effort; None where the recommended one is the cheapest that does anything."""
    nothing: Plan
    """Nothing but this router."""
    others: tuple[Plan, ...]
    router: Router | None
    """What the router can do; None: nobody said, so everything was tried."""
    classes: FlowClasses
    wishes: tuple[BoundWish, ...]
    addressing: Addressing
    inventory: Inventory

    @property
    def alternatives(self) -> tuple[Plan, ...]:
        """The others in the order of interest: cheaper, nothing, the rest."""
        first = (self.cheaper,) if self.cheaper is not None else ()
        nothing = () if self.nothing is self.recommended else (self.nothing,)
        return (*first, *nothing, *self.others)


def check_plannable(inventory: Inventory) -> None:
    """Raise ``JudgementError``, with what to record, where no plan could be proven."""
    check_chosen(inventory)
    vantage = inventory.coverage.vantage
    if vantage in UNPLANNABLE_VANTAGES:
        raise JudgementError(
            f"no plan can be made of this recording: from its place ({vantage}) conversations inside the "
            "home cannot be seen; record where the light's traffic passes, inside the home, while it is used"
        )


def propose(
    inventory: Inventory,
    judgement: Judgement,
    home: Home,
    flows: Iterable[Flow],
    *,
    router: Router | None = None,
    packet_flows: Mapping[PacketReference, FlowKey] | None = None,
) -> Proposal:
    """
    Compute every layout, try each on the recording and recommend one.

    ``router`` is what the router can do, by default what the home file says;
    ``packet_flows`` tells which flow a packet of evidence belongs to.  Raises
    ``JudgementError`` where the recording is of the wrong place.
    """
    setting = _Setting(inventory, judgement, home, flows, packet_flows or {})
    router = router or home.router
    plans = [setting.plan(setting.try_out(layout)) for layout in setting.layouts()]
    nothing = plans[0]
    feasible = [plan for plan in plans if _is_feasible(plan.layout, router)]
    recommended = min(feasible, key=_rank)
    cheaper_ones = [plan for plan in feasible if 0 < plan.layout.cost < recommended.layout.cost]
    cheaper = min(cheaper_ones, key=_rank, default=None)
    rest = sorted(
        (plan for plan in plans if plan not in (recommended, cheaper, nothing)),
        key=lambda plan: (plan.layout.cost, _rank(plan)),
    )
    recommended = _with_next(recommended, feasible)
    nothing = recommended if nothing.layout == recommended.layout else nothing
    if router is None:
        nobody_said = (
            "Nobody said what your router can do, so everything was tried; say it with --router, or in "
            "the home file."
        )
        recommended = replace(recommended, unknown=(*recommended.unknown, nobody_said))
        nothing = recommended if nothing.layout == recommended.layout else nothing
    return Proposal(
        recommended=recommended,
        cheaper=cheaper,
        nothing=nothing,
        others=tuple(rest),
        router=router,
        classes=setting.classes,
        wishes=setting.wishes,
        addressing=setting.addressing,
        inventory=inventory,
    )


def recommend(
    inventory: Inventory,
    judgement: Judgement,
    home: Home,
    flows: Iterable[Flow],
    *,
    packet_flows: Mapping[PacketReference, FlowKey] | None = None,
) -> Plan:
    """
    The plan that ``propose`` recommends, for a reader who wants no other.

    Of the other layouts only the wishes are tried, which is all that the choice
    hangs on: a fifth of the work.  Raises as ``propose`` does.
    """
    setting = _Setting(inventory, judgement, home, flows, packet_flows or {})
    trials = [setting.try_out(layout) for layout in setting.layouts() if _is_feasible(layout, home.router)]
    return _with_next(setting.plan(min(trials, key=_rank)), trials)


def _with_next(recommended: Plan, feasible: Iterable[Plan | _Trial]) -> Plan:
    """Where nothing is fenced off, the least that a fence would cost is said beside it."""
    fences = [plan for plan in feasible if plan.layout.protection > recommended.layout.protection]
    best = min(fences, key=_rank, default=None)
    if recommended.layout.protection or best is None:
        return recommended
    broken = ", ".join(_broken_wishes(best)) or "none of your wishes"
    first, second = recommended.summary
    more = f" The next that this router can do ({best.layout.layout_id}) breaks {broken}."
    return replace(recommended, summary=(first + more, second))


def _broken_wishes(plan: Plan | _Trial) -> list[str]:
    return sorted({wish.keep.wish for wish in plan.wishes if wish.state == "broken"})


def _is_feasible(layout: Layout, router: Router | None) -> bool:
    return (
        layout.layout_id not in ONLY_FOR_A_WHILE
        and layout.router in FEASIBLE["vlan" if router is None else router]
    )


def _rank(one: Plan | _Trial) -> tuple[int, ...]:
    layout = one.layout
    return (
        count_broken(one.wishes),
        -layout.protection,
        layout.exceptions,
        len(layout.moves),
        len(layout.entries),
        layout.cost,
    )


class _Trial(NamedTuple):
    """What a layout does to the wishes: all that decides which one is recommended."""

    layout: Layout
    replayer: Replayer
    wishes: tuple[WishResult, ...]


class _Setting:
    """One household and its recording; judges layouts."""

    def __init__(
        self,
        inventory: Inventory,
        judgement: Judgement,
        home: Home,
        flows: Iterable[Flow],
        packet_flows: Mapping[PacketReference, FlowKey],
    ) -> None:
        check_plannable(inventory)
        self._inventory = inventory
        self.classes = FlowClasses(inventory, flows)
        exposing = (one for one in judgement.findings if one.severity >= EXPOSED_FROM)
        self.classes.expose((packet for one in exposing for packet in one.evidence), packet_flows)
        self._binder = WishBinder(home, inventory, self.classes)
        self.wishes = self._binder.bind()
        self._label = label_devices(inventory)
        routers = self.classes.parties.routers
        movable = {device.device_id for device in inventory.devices}
        lights = self._binder.lights | {d.device_id for d in inventory.devices if "lighting" in d.roles}
        self.addressing = plan_addresses(inventory, movable - routers, frozenset(lights) - routers)
        self._listeners = self._binder.listeners()

    def layouts(self) -> list[Layout]:
        """All that are possible anywhere, doing nothing first."""
        maker = LayoutMaker(
            inventory=self._inventory,
            classes=self.classes,
            binder=self._binder,
            wishes=self.wishes,
            addressing=self.addressing,
            label=self._label,
        )
        return maker.all()

    def try_out(self, layout: Layout) -> _Trial:
        """Judge the wishes."""
        replayer = Replayer(layout, self.classes, listeners=self._listeners)
        wishes = tuple(judge_wish(bound, replayer, self.classes) for bound in self.wishes)
        return _Trial(layout, replayer, wishes)

    def plan(self, trial: _Trial) -> Plan:
        """Judge every flow and write down what to do."""
        layout, replayer, results = trial
        wished = frozenset(one for bound in self.wishes for one in bound.classes)
        retries = {
            f"{self._label(one.initiator.device_id)} ({one.transport} port {one.port})": tally.retry_seconds
            for one, tally in self.classes.tallies.items()
            if tally.retry_seconds is not None
            and replayer.rulings[one].verdict is Verdict.CUT
            and one.initiator.device_id in layout.moves
            and one.responder.kind in {"device", "outside"}
        }
        outside = [one for one in layout.entries if one.destination.segment == INTERNET]
        unknown = list(foretell(results, retries))
        unknown += self._ambiguities(layout)
        plan = Plan(
            layout=layout,
            wishes=results,
            replay=replayer.count(wished),
            steps=write_steps(layout, self.addressing, self._label),
            beside=(
                *(self.addressing.notes if layout.moves else ()),
                *beside_the_rules(layout, self.classes.families, outside),
            ),
            unknown=tuple(unknown),
            summary=("", ""),
        )
        return _with_summary(plan)

    def _ambiguities(self, layout: Layout) -> list[str]:
        lines = []
        named = {address for entry in layout.entries for address in entry.destination.addresses}
        if named & self.addressing.shared:
            lines.append("Two devices bear one address that a rule names: the rule cannot tell them apart.")
        if layout.router == "vlan" and self.addressing.lights_prefix is None:
            lines.append(
                "Every private subnet was seen in use: choose one by hand that none of your networks has."
            )
        if layout.router == "vlan" and any(
            entry.family == "ipv6" and entry.destination.segment == LIGHTS and entry.forwarding == "accept"
            and entry.port is not None
            for entry in layout.entries
        ):  # fmt: skip
            lines.append(
                "Over IPv6 a moved light makes up its own address, so that the entry for its port names the "
                "whole segment of the lights."
            )
        if self.addressing.is_parted_already:
            lines.append(
                "The recording shows the lights in a subnet of their own already: keep it, and compare the "
                "entries with those your router has. The numbers are counted as if all were in one network."
            )
        if self.classes.overflow:
            lines.append(
                f"{self.classes.overflow} flows were too many to be tried one by one; they count as unknown."
            )
        return lines


def _with_summary(plan: Plan) -> Plan:
    broken = _broken_wishes(plan)
    unknown = sorted({wish.keep.wish for wish in plan.wishes if wish.state == "unknown"})
    replay = plan.replay
    if broken:
        first = f"BREAKS {', '.join(broken)}: {plan.layout.title}."
    elif not plan.wishes:
        first = f"{_capital(plan.layout.title)}; no wish is known that it could break."
    else:
        first = f"{_capital(plan.layout.title)}; it breaks no wish that was recorded."
    if not plan.layout.protection:
        first += " Nothing is fenced off by it."
    if unknown:
        first += f" Not known: {', '.join(unknown)}."
    exposed = f" ({replay.still_exposed} of them still exposed)" if replay.still_exposed else ""
    wished = f" ({replay.broken or 'none'} of them wished for)" if replay.cut else ""
    second = (
        f"Tried on {replay.kept + replay.cut + replay.unknown} recorded flows: {replay.kept} go on{exposed}, "
        f"{replay.cut} stop{wished}, {replay.unknown} not known. Exceptions in the wall: "
        f"{plan.exceptions or 'none'}."
    )
    return replace(plan, summary=(first, second))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def label_devices(inventory: Inventory) -> Callable[[str], str]:
    """A device before any redaction: its nickname, else its identifier (named after the redaction)."""
    names = {device.device_id: device.nickname or device.device_id for device in inventory.devices}
    return lambda device_id: names.get(device_id, "another device of the home")
