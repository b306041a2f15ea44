"""
Replay equals kernel: the rules of every layout are loaded into a router between namespaces, and every routed unicast flow class
with a known initiator is really attempted; the kernel's verdict has to be the replay's.

Source: the kernel's nftables and connection tracking themselves.  Beside the recorded classes a grid of attempts between all
hosts is tried over both families, so that what must not pass is tried as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from auditor.addresses import format_address, parse_address
from auditor.isolation.flow_classes import End, FlowClass, Tally
from auditor.isolation.model import LIGHTS, MAIN, Entry, Layout, Selector, Verdict
from auditor.isolation.nftables import render_nftables
from auditor.isolation.plan import Proposal
from auditor.isolation.replay import Replayer
from tests.household import stories
from tests.isolation_households import both_families, propose_for
from tests.lab.planned_house import (
    NEIGHBOUR,
    OUTSIDE,
    ROUTER,
    UNKNOWN_OUTSIDE,
    Attempt,
    PlannedHouse,
    outside_addresses,
    require,
)

pytestmark = pytest.mark.lab

GRID_PORTS = (("tcp", 80), ("tcp", 8080), ("tcp", 22), ("udp", 123), ("udp", 53))
HOUSEHOLDS = {
    "good-vantage": stories.good_vantage,
    "hub-polling": stories.hub_polling,
    "quiet-and-good": stories.quiet_and_good,
    "both-families": both_families,
    "after-isolation": stories.after_isolation,
}
WITH_HOME_FILE = {"good-vantage", "both-families"}
ERROR_TURNS, ERRORS_AT_ONCE = 4, 40
NEEDED = [
    (household, layout_id)
    for household in sorted(HOUSEHOLDS)
    for layout_id in ("vlan", "vlan-hub-moves")
    if (household, layout_id)
    not in {
        ("hub-polling", "vlan-hub-moves"),  # beside its light the hub needs no entry at all
        ("quiet-and-good", "vlan-hub-moves"),  # its hub is no hub: nothing is to be moved
    }
]
ECHOES = {"icmp": 8, "icmpv6": 128}


@pytest.fixture(scope="module", params=sorted(HOUSEHOLDS))
def proposal(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Proposal:
    require()
    folder = tmp_path_factory.mktemp(request.param)
    return propose_for(HOUSEHOLDS[request.param](), folder, has_home=request.param in WITH_HOME_FILE)


def room_of(end: End) -> str:
    return {"device": end.device_id, "home": NEIGHBOUR, "outside": OUTSIDE, "router": ROUTER}[end.kind]


def is_attemptable(one: FlowClass) -> bool:
    """Routed unicast with a known initiator."""
    return (
        one.family in {"ipv4", "ipv6"}
        and one.initiator_known
        and not one.is_link_local
        and not one.is_piece
        and one.initiator.kind in {"device", "home", "outside"}
        and one.responder.kind in {"device", "home", "outside", "router"}
        and (one.transport in {"tcp", "udp"} or ECHOES.get(one.transport) == one.message_type)
    )


def grid(proposal: Proposal) -> Iterator[FlowClass]:
    """Everybody to everybody, both families, whether recorded or not."""
    devices = [d for d in proposal.addressing.devices if d not in proposal.classes.parties.routers]
    ends = [*(End("device", d) for d in devices), End("home"), End("router")]
    for family in ("ipv4", "ipv6"):
        outside = End("outside", "", parse_address(UNKNOWN_OUTSIDE[family]))
        kinds = [(t, p, -1) for t, p in GRID_PORTS] + [
            ("icmp", 0, 8) if family == "ipv4" else ("icmpv6", 0, 128)
        ]
        for first in (*ends, outside):
            for second in (*ends, outside):
                if first == second or first.kind == "router":
                    continue
                for transport, port, message_type in kinds:
                    yield FlowClass(first, second, family, transport, port, message_type, True, False, False)


def attempt_of(one: FlowClass, house: PlannedHouse) -> Attempt:
    who, whom = room_of(one.initiator), room_of(one.responder)
    if whom == OUTSIDE:
        address = format_address(one.responder.address)
    elif whom == ROUTER:
        address = house.router_address(who, one.family)
    else:
        address = house.addresses[whom][one.family]
    return Attempt(who, whom, one.transport, one.family, one.port, address)


def expected(layout: Layout, proposal: Proposal, house: PlannedHouse) -> dict[Attempt, Verdict]:
    """What the replay says of every attempt that a router sees."""
    replayer = Replayer(layout, proposal.classes)
    found: dict[Attempt, Verdict] = {}
    for one in (*filter(is_attemptable, proposal.classes.tallies), *grid(proposal)):
        source, destination = replayer.segment_of(one.initiator), replayer.segment_of(one.responder)
        if source == destination:
            continue  # no router sees it
        ruling = replayer.rulings.get(one) or replayer.rule(one, Tally())
        if ruling.verdict is Verdict.UNKNOWN:
            is_router = one.responder.kind == "router" and not layout.is_router_known
            assert one.family in layout.unknown_families or is_router, (one, ruling)
            continue
        found[attempt_of(one, house)] = ruling.verdict
    return found


def house_for(layout: Layout, proposal: Proposal) -> PlannedHouse:
    recorded = {
        (one.transport, one.port)
        for one in proposal.classes.tallies
        if one.transport in {"tcp", "udp"} and one.port
    }
    ports = tuple(sorted({*GRID_PORTS, *recorded}))
    return PlannedHouse(proposal, layout, ports, outside_addresses(proposal))


def test_replay_equals_kernel(proposal: Proposal, record_property: pytest.RecordProperty) -> None:
    tried = 0
    layouts = {
        one.layout.layout_id: one.layout
        for one in (proposal.recommended, *proposal.alternatives)
        if all(
            entry.enforced_by.startswith("router") for entry in one.layout.entries
        )  # else no router is in it
    }
    by_moves: dict[frozenset[str], list[Layout]] = {}
    for layout in layouts.values():
        by_moves.setdefault(layout.moves, []).append(layout)
    differences: list[str] = []
    for together in by_moves.values():
        house = house_for(together[0], proposal)
        try:
            house.build()
            house.open_doors()
            for layout in together:
                house.load(render_nftables(layout, title=layout.title))
                wanted = expected(layout, proposal, house)
                seen = house.try_all(list(wanted))
                tried += len(seen)
                differences += [
                    f"{layout.layout_id}: {attempt} is {wanted[attempt]}, the kernel {'kept' if answered else 'cut'} it"
                    for attempt, answered in seen.items()
                    if answered != (wanted[attempt] is Verdict.KEPT)
                ]
        finally:
            house.demolish()
    record_property("flows_tried", tried)
    print(f"{tried} flows tried over {len(layouts)} layouts")
    assert not differences, "\n".join(differences)
    assert tried > 500


def barred(proposal: Proposal, layout: Layout, house: PlannedHouse) -> list[FlowClass]:
    """One attempt a pair of hosts that the plan cuts, from the lights."""
    found: dict[tuple[End, str], FlowClass] = {}
    replayer = Replayer(layout, proposal.classes)
    for one in grid(proposal):
        if (
            one.initiator.device_id in layout.moves
            and one.responder.kind in {"device", "home"}
            and one.transport == "tcp"
        ) and replayer.rule(one, Tally(answered=1)).verdict is Verdict.CUT:
            found.setdefault((one.responder, one.family), one)
    assert found
    return list(found.values())


def opening(one: FlowClass, proposal: Proposal, house: PlannedHouse) -> Entry:
    """An entry that nobody wished for."""
    address = parse_address(house.addresses[room_of(one.responder)][one.family])
    return Entry(
        source=Selector(segment=LIGHTS),
        destination=Selector(segment=MAIN, addresses=(address,)),
        family="ipv4" if one.family == "ipv4" else "ipv6",
        transport=one.transport,
        port=one.port,
    )


@pytest.mark.parametrize("kind", ["fragments", "error"])
@pytest.mark.parametrize("layout_id", ["vlan", "vlan-hub-moves"])
def test_fragments_and_errors_follow_their_conversation(
    layout_id: str, kind: str, tmp_path: Path, record_property: pytest.RecordProperty
) -> None:
    """
    Datagrams that no frame holds, and the error that nobody listens, meet the fate that the replay foretells for the
    conversation (RFC 4890 4.3.1: errors about what was let through must pass).
    """
    require()
    proposal = propose_for(both_families(), tmp_path, has_home=True)
    plans = {one.layout.layout_id: one for one in (proposal.recommended, *proposal.alternatives)}
    layout = plans[layout_id].layout
    ports = (("udp", 123), ("udp", 53)) if kind == "fragments" else ()  # an error needs a closed door
    house = PlannedHouse(proposal, layout, ports, outside_addresses(proposal))
    try:
        house.build()
        house.open_doors()
        house.load(render_nftables(layout, title=layout.title))
        wanted = {
            attempt._replace(transport=f"udp-{kind}"): verdict is Verdict.KEPT
            for attempt, verdict in expected(layout, proposal, house).items()
            if attempt.transport == "udp" and attempt.port in {53, 123}
        }
        seen: dict[Attempt, bool] = {}
        for _ in range(ERROR_TURNS):
            # A host sends a limited number of errors at a time (RFC 1812 4.3.2.8): those that were due are tried again.
            waiting = [
                attempt
                for attempt in wanted
                if not seen.get(attempt) and (wanted[attempt] or attempt not in seen)
            ]
            for place in range(0, len(waiting), ERRORS_AT_ONCE):
                seen |= house.try_all(waiting[place : place + ERRORS_AT_ONCE])
    finally:
        house.demolish()
    record_property("flows_tried", len(seen))
    print(f"{len(seen)} conversations tried with {kind}")
    assert set(wanted.values()) == {True, False}
    assert seen == wanted


@pytest.mark.parametrize(("household", "layout_id"), NEEDED)
def test_every_needed_entry_is_needed(household: str, layout_id: str, tmp_path: Path) -> None:
    """
    Each entry made for a wish, taken away, cuts a wished flow in the kernel; with all of them, every one passes.  Each one
    added opens a way from the lights that the plan keeps shut.
    """
    require()
    proposal = propose_for(HOUSEHOLDS[household](), tmp_path, has_home=household in WITH_HOME_FILE)
    plans = {one.layout.layout_id: one for one in (proposal.recommended, *proposal.alternatives)}
    layout = plans[layout_id].layout
    house = house_for(layout, proposal)
    wished = [
        one
        for bound in proposal.wishes
        for one in bound.classes
        if is_attemptable(one) and Replayer(layout, proposal.classes).rulings[one].entry is not None
    ]
    needed = [entry for entry in layout.entries if entry.because and "wish" in entry.reason]
    assert needed
    try:
        house.build()
        house.open_doors()
        attempts = [attempt_of(one, house) for one in wished]
        house.load(render_nftables(layout, title="whole"))
        assert all(house.try_all(attempts).values())
        for entry in needed:
            house.load(
                render_nftables(
                    replace(layout, entries=tuple(e for e in layout.entries if e != entry)), title="less"
                )
            )
            assert not all(house.try_all(attempts).values()), entry
        house.load(render_nftables(layout, title="whole"))
        for more in barred(proposal, layout, house):
            attempt = attempt_of(more, house)
            assert not house.try_all([attempt])[attempt], attempt
            house.load(
                render_nftables(
                    replace(layout, entries=(opening(more, proposal, house), *layout.entries)), title="more"
                )
            )
            assert house.try_all([attempt])[attempt], attempt
            house.load(render_nftables(layout, title="whole"))
        house.unload()
        assert all(house.try_all(attempts).values())
    finally:
        house.demolish()
