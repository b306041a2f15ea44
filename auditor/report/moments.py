"""
When it happened: what the pictures of time and air need and the closed JSON document does not hold.

Built from the run, put into the document before the redaction and taken out
after it, so that it passes the same gate.  Times are bins of the recording, so
that its size does not depend on how much was recorded.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from auditor.addresses import format_address
from auditor.flows.flow import Flow
from auditor.home.model import Home
from auditor.inventory.airtime import airtime_range
from auditor.inventory.facts import GroupLoadFact, RemoteContactFact
from auditor.inventory.model import Inventory
from auditor.inventory.timeline import Timeline
from auditor.isolation.flow_classes import PROTOCOL_TCP, PROTOCOL_UDP, End, Parties
from auditor.units import NS_PER_SECOND, format_time

Document = dict[str, Any]

BINS = 1_440
"""Over the whole recording: a minute of a day, 0.4 s of ten minutes; finer than a line of print shows."""
DAY_BINS = 144
"""Ten minutes of a day each."""
DAY_NS = 86_400 * NS_PER_SECOND
MAX_LANES = 40
"""Peers whose times are kept, those with most flows first; the others are counted."""
MAX_SPANS = 200
"""Long connections of one lane; more would touch each other in print."""
MAX_ACTIONS = 60
"""Noted actions that are kept: more marks than that lie on each other."""
MAX_LOADS = 6
"""Senders of show data whose airtime is kept."""

SINGLE_RATES = (24_000_000, 54_000_000)
"""What a station of medium and of good reception gets (IEEE 802.11-2020 clause 17, from memory)."""


class _Lane:
    """Times of one peer."""

    def __init__(self) -> None:
        self.flows = 0
        self.marks: dict[str, set[int]] = {"device": set(), "peer": set()}
        self.spans: list[list[int]] = []
        self.day: set[int] = set()


class _Clock:
    """Bins of the recording."""

    def __init__(self, start_ns: int, end_ns: int) -> None:
        self.start_ns = start_ns
        self.length_ns = max(1, end_ns - start_ns)

    def bin(self, at_ns: int) -> int:
        return max(0, min(BINS - 1, (at_ns - self.start_ns) * BINS // self.length_ns))


def build_moments(inventory: Inventory, flows: Iterable[Flow], home: Home) -> Document | None:
    """Unredacted; None where nothing was recorded."""
    captures = [summary.facts for summary in inventory.captures]
    timeline = Timeline(home, captures)
    if timeline.start_ns is None or timeline.end_ns is None:
        return None
    clock = _Clock(timeline.start_ns, timeline.end_ns)
    lanes = _gather(inventory, flows, clock)
    ordered = sorted(lanes.items(), key=lambda item: (-item[1].flows, item[0]))
    recorded = [
        (facts.first_ns, facts.last_ns)
        for facts in captures
        if facts.first_ns is not None and facts.last_ns is not None
    ]
    return {
        "start": format_time(timeline.start_ns),
        "seconds": round(clock.length_ns / NS_PER_SECOND, 3),
        "recorded": sorted([clock.bin(first), clock.bin(last)] for first, last in recorded),
        "recorded_day": sorted({place for first, last in recorded for place in _day_bins(first, last)}),
        "actions": _actions(timeline, clock),
        "lanes": [_lane(key, lane) for key, lane in ordered[:MAX_LANES]],
        "other_lanes": max(0, len(ordered) - MAX_LANES),
        "air": _air(inventory),
    }


def _actions(timeline: Timeline, clock: _Clock) -> list[Document]:
    """Once each: what stands in the home file often stands in the recording too."""
    noted = dict.fromkeys((clock.bin(action.at_ns), action.what) for action in timeline.actions)
    return [{"bin": place, "what": what} for place, what in list(noted)[:MAX_ACTIONS]]


_Key = tuple[str, str]
"""Where the peer is, ``home`` or ``outside``, and its device_id or name."""


def _gather(inventory: Inventory, flows: Iterable[Flow], clock: _Clock) -> dict[_Key, _Lane]:
    chosen = {device.device_id for device in inventory.devices if device.is_chosen}
    parties = Parties(inventory)
    names = {
        fact.address: fact.name
        for fact in inventory.facts.get("remote-contact", ())
        if isinstance(fact, RemoteContactFact) and fact.name
    }
    lanes: dict[_Key, _Lane] = defaultdict(_Lane)
    for flow in flows:
        ends = parties.end(flow.initiator), parties.end(flow.responder)
        ours = [end.device_id in chosen for end in ends]
        if not any(ours):
            continue
        key = _key(ends[1] if ours[0] else ends[0], names)
        if key is None:
            continue
        lane = lanes[key]
        lane.flows += flow.connections
        _mark(lane, flow, clock, "device" if ours[0] else "peer")
    return lanes


def _key(end: End, names: dict[str, str]) -> _Key | None:
    match end.kind:
        case "device" | "router":
            return ("home", end.device_id) if end.device_id else None
        case "group" | "everybody":
            return "home", "broadcast"
        case "outside":
            address = format_address(end.address)
            return "outside", names.get(address, address)
    return None


def _mark(lane: _Lane, flow: Flow, clock: _Clock, opener: str) -> None:
    first, last = clock.bin(flow.start_ns), clock.bin(flow.end_ns)
    marks = lane.marks[opener]
    marks.add(first)
    lane.day.update(_day_bins(flow.start_ns, flow.start_ns))
    rhythm = flow.period
    if flow.folded and rhythm is not None and rhythm.is_regular:
        step = max(rhythm.median_seconds * NS_PER_SECOND, clock.length_ns / BINS)
        steps = int((flow.end_ns - flow.start_ns) / step) + 1  # at most BINS: a step is at least one bin
        marks.update(clock.bin(round(flow.start_ns + number * step)) for number in range(steps))
        lane.day.update(_day_bins(flow.start_ns, flow.end_ns))
    elif last - first > 2 and not _is_connection(flow):
        marks.add(last)  # datagrams now and then: that they lasted was not seen
        lane.day.update(_day_bins(flow.end_ns, flow.end_ns))
    elif last - first > 2:
        if len(lane.spans) < MAX_SPANS:
            lane.spans.append([first, last])
        lane.day.update(_day_bins(flow.start_ns, flow.end_ns))


def _is_connection(flow: Flow) -> bool:
    """TCP, and QUIC on its usual port (RFC 9000, RFC 9114)."""
    return flow.key.protocol == PROTOCOL_TCP or (
        flow.key.protocol == PROTOCOL_UDP and flow.responder.port == 443
    )


def _day_bins(first_ns: int, last_ns: int) -> Iterable[int]:
    """Parts of the day, UTC, from one moment to another; of several days all."""
    if last_ns - first_ns >= DAY_NS:
        return range(DAY_BINS)
    width = DAY_NS // DAY_BINS
    return (place % DAY_BINS for place in range(first_ns // width, last_ns // width + 1))


def _lane(key: _Key, lane: _Lane) -> Document:
    zone, name = key
    return {
        "zone": zone,
        "peer_id": name if zone == "home" else None,
        "name": name if zone == "outside" else None,
        "flows": lane.flows,
        "by_device": sorted(lane.marks["device"]),
        "by_peer": sorted(lane.marks["peer"]),
        "spans": sorted(lane.spans),
        "day": sorted(lane.day),
    }


def _air(inventory: Inventory) -> list[Document]:
    loads = [fact for fact in inventory.facts.get("group-load", ()) if isinstance(fact, GroupLoadFact)]
    loads.sort(key=lambda fact: (-fact.octets_per_second, fact.device_id, fact.protocol))
    return [
        {
            "device_id": fact.device_id,
            "protocol": fact.protocol,
            "universes": fact.universes,
            "is_group": fact.airtime_least_percent is not None,
            "group": _shares(fact, None),
            "single": _shares(fact, SINGLE_RATES),
        }
        for fact in loads[:MAX_LOADS]
        if fact.frames_per_second > 0
    ]


def _shares(fact: GroupLoadFact, rates: tuple[int, ...] | None) -> list[list[int]]:
    """Rate in kbit/s and the share of the air in thousandths, slowest rate first."""
    octets = fact.octets_per_second / fact.frames_per_second
    found = (
        airtime_range(fact.frames_per_second, octets)
        if rates is None
        else airtime_range(fact.frames_per_second, octets, rates_bits_per_second=rates)
    )
    return [[rate // 1_000, round(1_000 * share)] for rate, share in found.shares]
