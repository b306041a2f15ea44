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
from functools import cached_property
from typing import NamedTuple

import numpy as np

from auditor.addresses import format_address
from auditor.flows.flow import PacketReference
from auditor.flows.keys import Int64
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.payload_times import PayloadTimes, TimedFlow
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
    """Why data to a device is taken for orders."""

    words: str
    packets: tuple[PacketReference, ...]


ContactKey = tuple[str, str, int]
"""device_id, address outside as text, port outside."""

CallKey = tuple[str, str]
"""device_id of the caller, address outside as text."""

_AFTER_ALL = ("\U0010ffff", "")  # sorts after every caller


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
        self._calls: dict[CallKey, list[TimedFlow]] = {}
        self._is_sorted = False

    def _sort(self) -> None:
        """Tell the flows apart, once somebody asks: most recordings hold no contact that does."""
        self._is_sorted = True
        network, chosen = self._network, self._chosen
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
                    self._calls.setdefault((source.device_id, address), []).append(flow)

    @cached_property
    def _called(self) -> list[tuple[int, CallKey]]:
        """All calls in order."""
        return sorted(
            (moment, who)
            for who, flows in self._calls.items()
            for flow in flows
            for moment in flow.moments_ns.tolist()
        )

    def orders(self, device_id: str, address: str, port: int) -> OrderTiming | None:
        """What the timing says of one contact of a device; None: nothing."""
        if not self._is_sorted:
            self._sort()
        key = (device_id, address, port)
        arrivals = self._arrivals.get(key)
        if arrivals is None or not (self._calls or self._actions):
            return None
        unasked = _unasked(_moments(arrivals), _moments(self._departures.get(key, ())))
        orders = unasked[:MAX_ORDERS_WEIGHED].tolist()
        if len(orders) < MIN_REPEATS:
            return None
        rhythm = period_of(orders)
        if rhythm is not None and rhythm.is_regular:
            return None  # a heartbeat of the other end follows its own clock
        words = self._after_calls(orders) or self._at_actions(orders)
        return None if words is None else OrderTiming(words, _packets_at(arrivals, frozenset(orders)))

    def _after_calls(self, orders: list[int]) -> str | None:
        """All orders followed calls of one device to one address, or orders followed all such calls."""
        preceded: dict[CallKey, int] = {}
        for order in orders:
            first = bisect_left(self._called, (order - MAX_DELAY_NS,))
            last = bisect_right(self._called, (order, _AFTER_ALL))
            for caller in {who for _, who in self._called[first:last]}:
                preceded[caller] = preceded.get(caller, 0) + 1
        for caller, count in sorted(preceded.items()):
            if count < MIN_REPEATS:
                continue
            bursts = _bursts(_moments(self._calls[caller]).tolist())
            heard = sum(end - start + MAX_DELAY_NS for start, end in bursts) / self._span_ns
            followed = sum(bool(_between(orders, start, end + MAX_DELAY_NS)) for start, end in bursts)
            longest = max(end - start for start, end in bursts)
            spoken = len(orders) * (MAX_DELAY_NS + longest) / self._span_ns
            roles = self._roles.get(caller[0], ())
            who = next((text for role, text in PEOPLE if role in roles), "another device")
            if followed == len(bursts) and _is_no_chance(spoken, followed, len(self._calls)):
                return (
                    f"{followed} of {followed} calls of {who} to the internet were followed by it within 1 s"
                )
            if count == len(orders) and _is_no_chance(heard, count, len(self._calls)):
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


def _moments(flows: Iterable[TimedFlow]) -> Int64:
    """Moments of all these flows, in order."""
    parts = [flow.moments_ns for flow in flows]
    return np.sort(np.concatenate(parts)) if parts else np.zeros(0, np.int64)


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


def _bursts(moments: list[int]) -> list[tuple[int, int]]:
    """Calls: moments less than a second apart are one."""
    result: list[tuple[int, int]] = []
    for moment in moments:
        if result and moment - result[-1][1] < MAX_DELAY_NS:
            result[-1] = (result[-1][0], moment)
        else:
            result.append((moment, moment))
    return result


def _between(moments: list[int], start: int, end: int) -> int:
    """How many moments lie in a span, both ends included."""
    return bisect_right(moments, end) - bisect_left(moments, start)


def _is_no_chance(share: float, repeats: int, tried: int) -> bool:
    """Whether so many repeats are unlikely to fit by chance, each fitting with the share of time covered."""
    return repeats >= MIN_REPEATS and tried * min(1.0, share) ** repeats <= MAX_CHANCE
