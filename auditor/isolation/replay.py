"""
A plan tried on what was recorded: every flow is kept, cut or unknown.

The initiator decides: entries are compared, in order, with the first packet of
a conversation; replies follow it by state, and so do fragments and ICMP errors
(they share the verdict of the conversations between the same two ends).
"""

from __future__ import annotations

from functools import cached_property

from auditor.isolation.flow_classes import (
    ICMP_ERRORS,
    ICMPV6_ERRORS,
    NEIGHBOURS,
    ROUTER_PORTS,
    End,
    FlowClass,
    FlowClasses,
    Tally,
)
from auditor.isolation.model import (
    ANYWHERE,
    INTERNET,
    MAIN,
    ROUTER,
    Entry,
    Layout,
    Replay,
    Ruling,
    Selector,
    Verdict,
)

MULTICAST_DNS_PORT = 5353  # RFC 6762
DEFAULT_ACCEPT = "no entry is about it: it goes on as before"


class Replayer:
    """Judges the flow classes of one recording under one layout."""

    def __init__(
        self, layout: Layout, classes: FlowClasses, *, listeners: dict[int, frozenset[str]] | None = None
    ) -> None:
        """``listeners``: for a port of group traffic the devices known to listen without sending."""
        self.layout = layout
        self._classes = classes
        self._listeners = listeners or {}
        self._entries_between: dict[tuple[str, str], list[tuple[int, Entry]]] = {}

    @cached_property
    def _audiences(self) -> dict[tuple[End, int], set[str]]:
        """Who takes part in a group: those who send to it."""
        audiences: dict[tuple[End, int], set[str]] = {}
        for one in self._classes.tallies:
            if one.responder.kind in {"group", "everybody"} and one.initiator.kind == "device":
                audiences.setdefault((one.responder, one.port), set()).add(one.initiator.device_id)
        return audiences

    @cached_property
    def rulings(self) -> dict[FlowClass, Ruling]:
        """The ruling on every class of the recording."""
        rulings: dict[FlowClass, Ruling] = {}
        followers: list[FlowClass] = []
        for one, tally in self._classes.tallies.items():
            if _follows(one):
                followers.append(one)
            else:
                rulings[one] = self.rule(one, tally)
        self._rule_followers(followers, rulings)
        return rulings

    def ruling_on(self, one: FlowClass) -> Ruling:
        """The ruling on one class, without those on all others where it stands for itself."""
        if _follows(one) or "rulings" in self.__dict__:
            return self.rulings[one]
        return self.rule(one, self._classes.tallies[one])

    def segment_of(self, end: End) -> str | None:
        """Segment word of an end; None where an end is no single place."""
        match end.kind:
            case "device":
                return self.layout.segment_of(end.device_id)
            case "router":
                return ROUTER
            case "home":
                return MAIN
            case "outside":
                return INTERNET
        return None

    def rule(self, one: FlowClass, tally: Tally) -> Ruling:
        """The verdict on one class that stands for itself."""
        if one.initiator.kind in {"group", "everybody"}:
            return Ruling(Verdict.UNKNOWN, "its sender is no single device")
        if one.family == "link" or (one.message_type in NEIGHBOURS and one.responder.kind == "device"):
            return self._rule_link(one, tally)
        if _is_for_router(one):
            return self._rule_router_service(one)
        if one.responder.kind in {"group", "everybody"}:
            return self._rule_group(one, tally)
        if one.is_piece:
            return Ruling(Verdict.UNKNOWN, "the recording kept no port of it")
        if not one.initiator_known:
            return Ruling(Verdict.UNKNOWN, "the recording does not show who began it")
        source, destination = self.segment_of(one.initiator), self.segment_of(one.responder)
        if source is None or destination is None:
            return Ruling(Verdict.UNKNOWN, "an end of it is no single device")
        if source == ROUTER or (source == destination and source == INTERNET):
            return Ruling(Verdict.KEPT, "no entry is about what the router itself sends")
        if source == destination:
            return self._rule_inside(source, tally)
        if one.is_link_local and ROUTER not in {source, destination}:
            return Ruling(Verdict.CUT, "its addresses are valid on one link alone; no router passes them on")
        if one.family in self.layout.unknown_families and destination != ROUTER:
            return Ruling(Verdict.UNKNOWN, f"what this layout does with {one.family} is not known")
        ruling = self._first_match(one, source, destination)
        if destination == ROUTER and not self.layout.is_router_known and ruling.verdict is Verdict.CUT:
            return Ruling(Verdict.UNKNOWN, "what the router answers to this network beyond leases and names")
        return ruling

    def _first_match(self, one: FlowClass, source: str, destination: str) -> Ruling:
        for place, entry in self._between(source, destination):
            if matches(entry, one, source, destination):
                if entry.forwarding == "accept":
                    return Ruling(Verdict.KEPT, f"entry {place} lets it through", entry)
                return Ruling(Verdict.CUT, f"entry {place}: {entry.reason}", entry)
        return Ruling(Verdict.KEPT, DEFAULT_ACCEPT)

    def _between(self, source: str, destination: str) -> list[tuple[int, Entry]]:
        """The entries about these segments, with their places; a layout has many, most for other segments."""
        pair = (source, destination)
        found = self._entries_between.get(pair)
        if found is None:
            found = self._entries_between[pair] = [
                (place, entry)
                for place, entry in enumerate(self.layout.entries, start=1)
                if entry.source.segment in {source, ANYWHERE}
                and entry.destination.segment in {destination, ANYWHERE}
            ]
        return found

    def _rule_inside(self, segment: str, tally: Tally) -> Ruling:
        there = self.layout.segment(segment)
        if there is None:
            return Ruling(Verdict.UNKNOWN, "no router sees it")
        if there.is_unchanged:
            if tally.answered:
                return Ruling(Verdict.KEPT, "both stay where they are, and it was answered")
            return Ruling(Verdict.UNKNOWN, "it stays inside one segment, where no router sees it")
        if there.clients_reach_each_other is None:
            return Ruling(Verdict.UNKNOWN, "the layout does not say what the access point does")
        if there.clients_reach_each_other:
            return Ruling(Verdict.KEPT, "both are in one segment without client isolation")
        return Ruling(Verdict.CUT, "client isolation parts devices of one segment")

    def _rule_link(self, one: FlowClass, tally: Tally) -> Ruling:
        source, destination = self.segment_of(one.initiator), self.segment_of(one.responder)
        if destination == ROUTER or source == ROUTER or one.initiator == one.responder:
            return Ruling(Verdict.KEPT, "each segment has an end of the router")
        if source is not None and source == destination:
            return self._rule_inside(source, tally)
        return Ruling(Verdict.UNKNOWN, "asked anew inside each segment; no router sees it")

    def _rule_router_service(self, one: FlowClass) -> Ruling:
        source = self.segment_of(one.initiator)
        if source is None or source == ROUTER:
            # A host without an address asks for one: which host it is stands in the frame alone.
            return Ruling(Verdict.KEPT, "each segment has an end of the router, which answers there")
        if one.message_type in NEIGHBOURS or one.transport == "igmp":
            return Ruling(Verdict.KEPT, "housekeeping between a host and its own link (RFC 4890 4.4.1)")
        return self._first_match(one, source, ROUTER)

    def _rule_group(self, one: FlowClass, tally: Tally) -> Ruling:
        source = self.segment_of(one.initiator)
        if source is None:
            return Ruling(Verdict.UNKNOWN, "its sender has no address yet")
        if source == ROUTER:
            return Ruling(Verdict.KEPT, "the router sends into each segment")
        audience = set(self._audiences.get((one.responder, one.port), ()))
        audience |= self._listeners.get(one.port, frozenset())
        routers = self._classes.parties.routers
        elsewhere = {self.layout.segment_of(device) for device in audience - routers} - {source}
        if not elsewhere:
            return self._rule_inside(source, tally)
        if self.layout.is_relayed and one.transport == "udp" and one.port == MULTICAST_DNS_PORT:
            return Ruling(
                Verdict.UNKNOWN,
                "the relay passes it on; whether the receiver heeds answers from another subnet "
                "(RFC 6762 section 11) shows only a try",
            )
        return Ruling(Verdict.CUT, "group traffic stays in its own segment; listeners sit in another")

    @staticmethod
    def _rule_followers(followers: list[FlowClass], rulings: dict[FlowClass, Ruling]) -> None:
        """Fragments and ICMP errors share the verdict of what passes between the same two ends."""
        if not followers:
            return
        between: dict[tuple[frozenset[End], str], set[Verdict]] = {}
        for one, ruling in rulings.items():
            pair = frozenset({one.initiator, one.responder})
            between.setdefault((pair, ""), set()).add(ruling.verdict)
            between.setdefault((pair, one.transport), set()).add(ruling.verdict)
        for one in followers:
            what = one.transport if one.is_piece else ""
            verdicts = between.get((frozenset({one.initiator, one.responder}), what), set())
            if len(verdicts) == 1:
                ruling = Ruling(next(iter(verdicts)), "it follows the conversations between the same two")
            elif not one.is_piece and Verdict.KEPT in verdicts and Verdict.UNKNOWN not in verdicts:
                ruling = Ruling(Verdict.KEPT, "an error about a conversation that is kept passes by state")
            else:
                ruling = Ruling(Verdict.UNKNOWN, "the recording does not show which conversation it is about")
            rulings[one] = ruling

    def count(self, wished: frozenset[FlowClass]) -> Replay:
        """Flows by verdict."""
        counts = dict.fromkeys(Verdict, 0)
        broken = exposed = 0
        for one, tally in self._classes.tallies.items():
            verdict = self.rulings[one].verdict
            counts[verdict] += tally.flows
            if verdict is Verdict.CUT and one in wished:
                broken += tally.flows
            if verdict is Verdict.KEPT and tally.is_exposed:
                exposed += tally.flows
        return Replay(
            kept=counts[Verdict.KEPT],
            cut=counts[Verdict.CUT],
            unknown=counts[Verdict.UNKNOWN] + self._classes.overflow,
            broken=broken,
            still_exposed=exposed,
        )


def matches(entry: Entry, one: FlowClass, source: str, destination: str) -> bool:
    """Whether an entry is about the first packet of this class, sent from one segment into another."""
    if (entry.family is not None and entry.family != one.family) or (
        entry.transport is not None and entry.transport != one.transport
    ):
        return False
    if entry.port is not None and entry.port != one.port:
        return False
    if entry.message_types and one.message_type not in entry.message_types:
        return False
    return _selects(entry.source, one.initiator, source) and _selects(
        entry.destination, one.responder, destination
    )


def _selects(selector: Selector, end: End, segment: str) -> bool:
    if selector.segment == ANYWHERE:
        if segment == ROUTER:
            return False  # what the router itself receives is no forwarding
    elif selector.segment != segment:
        return False
    if selector.device_id is not None:
        return selector.device_id == end.device_id
    return not selector.addresses or end.address in selector.addresses


def _follows(one: FlowClass) -> bool:
    if one.transport == "icmp":
        return one.message_type in ICMP_ERRORS
    if one.transport == "icmpv6":
        return one.message_type in ICMPV6_ERRORS
    return one.is_piece and one.responder.kind not in {"group", "everybody"}


def _is_for_router(one: FlowClass) -> bool:
    """What a host asks of whoever routes its link, without knowing an address."""
    if one.transport == "igmp" or (one.transport == "icmpv6" and one.message_type in NEIGHBOURS):
        return True
    return (
        one.transport == "udp"
        and one.port in ROUTER_PORTS
        and one.responder.kind in {"group", "everybody", "router"}
    )
