"""
Whether orders came over an encrypted connection, told by timing alone.

No standard tells this; the reasoning is common practice (scenario S21).  Data
that comes to the light unasked, each time within a second of a call that a
phone at home made to the internet, or each time about when the user noted an
action, is an order that came by way of the internet.  Once is chance, so that
at least ``MIN_REPEATS`` times must all fit, and a connection that speaks at
times of its own must be unlikely to fit by chance.  A connection that stays
open, however lively, shows nothing.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from auditor.addresses import format_address
from auditor.flows.flow import PacketReference
from auditor.flows.keys import Int64
from auditor.inventory.calls import CallKey, Calls
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.payload_times import PayloadTimes, TimedFlow, moments_of
from auditor.inventory.sighting import period_of
from auditor.inventory.timeline import BEFORE_ACTION_NS, Timeline
from auditor.units import NS_PER_SECOND

MIN_REPEATS = 3
MAX_DELAY_NS = NS_PER_SECOND  # from the phone's call to the light: two ways to the maker's computer and back
MAX_CHANCE = 0.01  # that what fits does so by chance, over all pairs that were tried
MAX_ORDERS_WEIGHED = 256  # of one contact: more repeats of what fits make it no surer
REMOTE_ACTIONS = frozenset({"app", "app-mobile", "voice"})
"""Noted actions that can reach the light through the internet."""

PEOPLE = (("phone", "a phone"), ("computer", "a computer"), ("hub", "a hub"))


class OrderTiming(NamedTuple):
    """What the timing of data to a device says of orders."""

    words: str
    packets: tuple[PacketReference, ...] = ()
    are_seen: bool = False
    """It is taken for orders; the words say why, and the packets are they."""


NONE_SEEN = OrderTiming("none seen")
NOT_LOOKED_FOR = OrderTiming("not looked for: more calls of other devices than are weighed")


ContactKey = tuple[str, str, int]
"""device_id, address outside as text, port outside."""


class OrderTimings:
    """The moments of one recording, sorted by who and whom."""

    def __init__(
        self,
        times: PayloadTimes,
        network: Network,
        roles: Mapping[str, Sequence[str]],
        timeline: Timeline,
        chosen: Collection[str],
    ) -> None:
        self._roles = roles
        start, end = timeline.start_ns or 0, timeline.end_ns or 0
        self._end_ns = end if times.complete_until_ns is None else min(end, times.complete_until_ns)
        self._span_ns = max(1, self._end_ns - start)
        self._actions = [
            action
            for action in timeline.actions
            if action.what in REMOTE_ACTIONS and start <= action.at_ns <= self._end_ns
        ]
        self._times, self._network, self._chosen = times, network, chosen
        self._arrivals: dict[ContactKey, list[TimedFlow]] = {}
        self._departures: dict[ContactKey, list[TimedFlow]] = {}
        self._calls: Calls | None = None

    @property
    def overflow(self) -> int:
        """Contacts whose timing was not looked at, for the work that it would have been."""
        return self._calls.overflow if self._calls else 0

    def _sort(self) -> Calls:
        """Tell the flows apart, once somebody asks: most recordings hold no contact that does."""
        network, chosen = self._network, self._chosen
        calls: dict[CallKey, list[TimedFlow]] = {}
        for flow in self._times.flows():
            source, destination = network.party(flow.source), network.party(flow.destination)
            if source.kind == OUTSIDE and destination.device_id in chosen:
                key = (destination.device_id, format_address(flow.source.address), flow.source.port)
                self._arrivals.setdefault(key, []).append(flow)
            elif source.is_device and destination.kind == OUTSIDE:
                address = format_address(flow.destination.address)
                if source.device_id in chosen:
                    key = (source.device_id, address, flow.destination.port)
                    self._departures.setdefault(key, []).append(flow)
                elif not {"lighting", "router"} & set(self._roles.get(source.device_id, ())):
                    calls.setdefault((source.device_id, address), []).append(flow)
        return Calls(calls, MAX_DELAY_NS)

    def orders(self, device_id: str, address: str, port: int) -> OrderTiming:
        """What the timing says of one contact of a device."""
        if self._calls is None:
            self._calls = self._sort()
        key = (device_id, address, port)
        arrivals = self._arrivals.get(key)
        if arrivals is None or not (len(self._calls) or self._actions):
            return NONE_SEEN
        unasked = _unasked(moments_of(arrivals), moments_of(self._departures.get(key, ())))
        weighed = unasked[:MAX_ORDERS_WEIGHED]
        orders = weighed.tolist()
        if len(orders) < MIN_REPEATS:
            return NONE_SEEN
        rhythm = period_of(orders)
        if rhythm is not None and rhythm.is_regular:
            return NONE_SEEN  # a heartbeat of the other end follows its own clock
        missed = self._calls.overflow
        words = self._after_calls(weighed, self._calls) or self._at_actions(orders)
        if words is None:
            return NONE_SEEN if self._calls.overflow == missed else NOT_LOOKED_FOR
        return OrderTiming(words, _packets_at(arrivals, frozenset(orders)), are_seen=True)

    def _after_calls(self, orders: Int64, calls: Calls) -> str | None:
        """All orders followed calls of one device to one address, or orders followed all such calls."""
        for caller, count in calls.before(orders, MAX_DELAY_NS, MIN_REPEATS):
            roles = self._roles.get(caller.key[0], ())
            who = next((text for role, text in PEOPLE if role in roles), "another device")
            spoken = len(orders) * (MAX_DELAY_NS + caller.longest_ns) / self._span_ns
            repeats = caller.count
            # One order follows two calls at most, where one begins as the second of the other ends: a caller
            # with more calls than that, or one that chance explains, need not be looked at call by call.
            if (
                repeats <= 2 * count
                and _is_no_chance(spoken, repeats, len(calls))
                and caller.followed(orders, MAX_DELAY_NS) == repeats
            ):
                return f"{repeats} of {repeats} calls of {who} to the internet were followed by it within 1 s"
            heard = (caller.total_ns + caller.count * MAX_DELAY_NS) / self._span_ns
            if count == len(orders) and _is_no_chance(heard, count, len(calls)):
                return f"{count} of {count} times it followed within 1 s on a call of {who} to the internet"
        return None

    def _at_actions(self, orders: list[int]) -> str | None:
        """All noted actions of a kind had an order about then."""
        kinds = sorted({action.what for action in self._actions})
        share = len(orders) * 2 * BEFORE_ACTION_NS / self._span_ns
        for words in [kinds, *([kind] for kind in kinds)]:
            moments = {action.at_ns for action in self._actions if action.what in words}
            fitting = sum(
                bool(_between(orders, at - BEFORE_ACTION_NS, at + BEFORE_ACTION_NS)) for at in moments
            )
            if fitting == len(moments) and _is_no_chance(share, fitting, len(kinds) + 1):
                noted = ", ".join(words)
                return (
                    f"{fitting} of {fitting} noted actions ({noted}) had it come within 5 s; "
                    "the sender was not recorded"
                )
        return None


def _packets_at(flows: Iterable[TimedFlow], moments: Collection[int]) -> tuple[PacketReference, ...]:
    """Packets at some of the moments, in order."""
    columns = (
        zip(flow.moments_ns.tolist(), flow.captures.tolist(), flow.packet_numbers.tolist(), strict=True)
        for flow in flows
    )
    seen = sorted(row for column in columns for row in column if row[0] in moments)
    return tuple(PacketReference(capture, packet) for _, capture, packet in seen)


def _unasked(arrivals: Int64, asked: Int64) -> Int64:
    """Beginnings of what came in; what follows on something that the device sent may be an answer."""
    is_start = np.ones(len(arrivals), np.bool_)
    is_start[1:] = np.diff(arrivals) >= MAX_DELAY_NS
    starts = arrivals[is_start]
    sent_by_then = np.searchsorted(asked, starts, side="right")
    sent_before = np.searchsorted(asked, starts - MAX_DELAY_NS, side="left")
    unasked: Int64 = starts[sent_by_then == sent_before]
    return unasked


def _between(moments: list[int], start: int, end: int) -> int:
    """How many moments lie in a span, both ends included."""
    return bisect_right(moments, end) - bisect_left(moments, start)


def _is_no_chance(share: float, repeats: int, tried: int) -> bool:
    """Whether so many repeats are unlikely to fit by chance, each fitting with the share of time covered."""
    return repeats >= MIN_REPEATS and tried * min(1.0, share) ** repeats <= MAX_CHANCE
