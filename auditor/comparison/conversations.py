"""
Conversations of the judged devices in two recordings, and what became of each.

An attempt without an answer is stopped; a conversation that nobody attempted in
the second recording is not tried, which proves nothing (scenario S32).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from auditor.addresses import format_address
from auditor.comparison.model import Conversation, ConversationKey, Place, State, Tries
from auditor.flows.flow import Flow, FlowOutcome, InitiatorKnown
from auditor.inventory.facts import RemoteContactFact
from auditor.inventory.model import Inventory
from auditor.isolation.flow_classes import (
    ICMP_ERRORS,
    ICMPV6_ERRORS,
    NEIGHBOURS,
    ROUTER_PORTS,
    End,
    FlowClass,
    FlowClasses,
)
from auditor.isolation.model import MAX_BECAUSE

MAX_CONVERSATIONS = 2_000
"""Rows of one comparison; a home has some hundreds (common practice), a scan makes more.  Those that were
answered in either recording come first, and a note says how many are left out."""

_ANSWERED = frozenset({FlowOutcome.ESTABLISHED, FlowOutcome.MID_STREAM})


class Side:
    """One of the two recordings, its ends named by the ids of the comparison."""

    def __init__(self, inventory: Inventory, flows: Iterable[Flow], same: Mapping[str, str]) -> None:
        """``same``: device_id of this recording to the one that the comparison uses."""
        self.inventory = inventory
        self.flows = list(flows)
        self.classes = FlowClasses(inventory, self.flows)
        self._same = same
        self.chosen = frozenset(
            same.get(device.device_id, device.device_id) for device in inventory.devices if device.is_chosen
        )
        self._names = {
            fact.address: fact.name
            for fact in inventory.facts.get("remote-contact", ())
            if isinstance(fact, RemoteContactFact) and fact.name
        }
        self._router_links = {
            link
            for device in inventory.devices
            if device.device_id in self.classes.parties.routers
            for link in device.link_addresses
        }

    def name(self, end: End) -> str:
        """How the comparison calls an end."""
        if end.kind == "device":
            return self._same.get(end.device_id, end.device_id)
        if end.kind == "outside":
            address = format_address(end.address)
            return f"outside:{self._names.get(address, address)}"
        if end.kind == "group":
            return f"group:{format_address(end.address)}"
        return {"everybody": "broadcast", "router": "router"}.get(end.kind, "home")

    def key(self, one: FlowClass) -> ConversationKey:
        """The conversation that a class of flows belongs to."""
        return ConversationKey(
            self.name(one.initiator), self.name(one.responder), one.family, one.transport, one.port
        )

    def gather(self, chosen: frozenset[str]) -> dict[ConversationKey, Tries]:
        """Tries by conversation, of the chosen devices alone."""
        found: dict[ConversationKey, Tries] = {}
        for flow in self.flows:
            one = self.classes.class_of(
                flow.key,
                is_known=flow.initiator_known is not InitiatorKnown.UNKNOWN,
                is_folded=flow.folded,
            )
            key = self.key(one)
            if _is_housekeeping(one) or not {key.initiator, key.responder} & chosen:
                continue
            self._add(found.setdefault(key, Tries(first_ns=flow.start_ns)), flow, key.initiator in chosen)
        return found

    def _add(self, tries: Tries, flow: Flow, is_ours: bool) -> None:
        tries.flows += flow.connections
        if flow.outcome in _ANSWERED:
            tries.answered += flow.connections
        outcome = flow.outcome.value
        tries.outcomes[outcome] = tries.outcomes.get(outcome, 0) + flow.connections
        tries.packets = sorted([*tries.packets, flow.first_packet])[:MAX_BECAUSE]
        tries.first_ns, tries.last_ns = min(tries.first_ns, flow.start_ns), max(tries.last_ns, flow.end_ns)
        far = flow.responder if is_ours else flow.initiator
        tries.crosses_router |= far.link_address in self._router_links
        tries.is_prohibited |= flow.outcome is FlowOutcome.PROHIBITED
        if flow.period is not None:
            tries.median_seconds = flow.period.median_seconds
        if flow.refused_by is not None:
            tries.refused_by = self._refuser(flow)

    def _refuser(self, flow: Flow) -> str:
        address = flow.refused_by
        if address == flow.responder.address:
            return "responder"
        for device in self.inventory.devices:
            if address in device.addresses:
                return (
                    "router"
                    if device.device_id in self.classes.parties.routers
                    else self._same.get(device.device_id, device.device_id)
                )
        return "router" if address is None else format_address(address)


def compare_conversations(
    before: Side, after: Side, wished: frozenset[ConversationKey]
) -> tuple[list[Conversation], int]:
    """All conversations of the judged devices, and how many were left out."""
    chosen = before.chosen | after.chosen
    first, second = before.gather(chosen), after.gather(chosen)
    seeing = {device.device_id: frozenset(device.abilities) for device in after.inventory.devices}
    lights = chosen | {d.device_id for d in after.inventory.devices if "lighting" in d.roles}
    hubs = {d.device_id for d in after.inventory.devices if {"hub", "broker"} & set(d.roles)}
    rows = []
    for key in dict.fromkeys((*second, *first)):
        device_id, peer = key[:2] if key.initiator in chosen else (key.responder, key.initiator)
        tries, earlier = second.get(key), first.get(key)
        state, because = _state(earlier, tries, key, seeing.get(device_id, frozenset()))
        rows.append(
            Conversation(
                key=key,
                device_id=device_id,
                peer=peer,
                place=_place(peer, lights, hubs, tries),
                before=earlier,
                after=tries,
                state=state,
                proven=state == "stopped"
                and tries is not None
                and (tries.is_prohibited or bool(earlier and earlier.answered)),
                wished=key in wished,
                because=because,
            )
        )
    rows.sort(key=lambda row: (not _was_answered(row), row.key))
    return sorted(rows[:MAX_CONVERSATIONS], key=lambda row: row.key), max(0, len(rows) - MAX_CONVERSATIONS)


def _was_answered(row: Conversation) -> bool:
    return any(tries is not None and tries.answered for tries in (row.before, row.after))


def _place(peer: str, lights: frozenset[str], hubs: set[str], after: Tries | None) -> Place:
    if peer.startswith(("group:", "broadcast")):
        return "group"
    if peer.startswith("outside:"):
        return "outside"
    if peer == "router":
        return "router"
    is_beside = after is not None and not after.crosses_router and peer in hubs
    return "lights" if peer in lights or is_beside else "home"


def _state(
    before: Tries | None, after: Tries | None, key: ConversationKey, abilities: frozenset[str]
) -> tuple[State, str]:
    is_group = key.responder.startswith(("group:", "broadcast"))
    needed = "multicast-visible" if is_group else "unicast-with-device"
    if after is None:
        if needed not in abilities:
            return "not-visible", "the second recording could not have shown it"
        return "not-tried", "nobody attempted it in the second recording: nothing is proven"
    if is_group:
        return (
            "not-visible",
            "it is still sent; a message to everybody has no answer that shows whom it reaches",
        )
    if after.answered:
        if before is None:
            return "new", "not in the first recording"
        return "works", "it was answered"
    if not after.refused_by and not abilities >= {"unicast-with-device", "both-directions"}:
        return "not-visible", "an answer could not have been in the second recording"
    if key.transport == "udp" and not after.refused_by and not (before and before.answered):
        return "not-visible", "it had no answer before either; whether it arrived is not visible"
    return "stopped", f"{_count(after)}: {stopped_by(after)}{_earlier(before)}"


def _count(tries: Tries) -> str:
    return "tried once" if tries.flows == 1 else f"tried {tries.flows} times"


def _earlier(before: Tries | None) -> str:
    if before is None:
        return "; the first recording does not hold it"
    return "; it was answered before" if before.answered else "; it had no answer before the change either"


def stopped_by(tries: Tries) -> str:
    """Who stopped an attempt, as far as that is visible."""
    if tries.refused_by is None:
        return "no answer; who stopped it is not visible"
    if tries.refused_by == "router":
        return "the router said that it is prohibited" if tries.is_prohibited else "the router refused it"
    if tries.refused_by == "responder":
        return "refused in the name of whom it was for; a router on the way can do that too"
    return f"refused by {tries.refused_by}"


def _is_housekeeping(one: FlowClass) -> bool:
    """What keeps a link running says nothing about a wall between two segments."""
    errors = ICMP_ERRORS if one.transport == "icmp" else ICMPV6_ERRORS
    return (
        one.family == "link"
        or one.transport == "igmp"
        or (one.transport == "icmpv6" and one.message_type in NEIGHBOURS)
        or (one.transport in {"icmp", "icmpv6"} and one.message_type in errors)
        or (one.transport == "udp" and one.port in ROUTER_PORTS)
    )
