"""
Replay of plans.  Sources: RFC 8519 section 4 (ordered entries, first match), and a plain reference model of a router written
here, which knows interfaces, link addresses and addresses and nothing of devices.  RFC 792 and RFC 4443 (errors follow the
conversation they are about), RFC 791 (later fragments have no ports), RFC 4291 2.5.6 (link-local is not forwarded), RFC 6762
section 11 (answers from another subnet).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import LinkAddress, parse_address
from auditor.isolation.flow_classes import End, FlowClass, Tally
from auditor.isolation.model import (
    ANYWHERE,
    INTERNET,
    LIGHTS,
    MAIN,
    ROUTER,
    Entry,
    Layout,
    Segment,
    Selector,
    Verdict,
)
from auditor.isolation.replay import Replayer
from tests.household.stories import after_isolation, good_vantage, hub_polling, quiet_and_good
from tests.isolation_households import both_families, propose_for

DEVICES = ("dev-a", "dev-b", "dev-c", "dev-d")
ADDRESS = {
    **{("ipv4", d): parse_address(f"192.0.2.{place}") for place, d in enumerate(DEVICES, 1)},
    **{("ipv6", d): parse_address(f"2001:db8::{place}") for place, d in enumerate(DEVICES, 1)},
}
LINK = {d: LinkAddress(bytes((2, 0, 0, 0, 0, place))) for place, d in enumerate(DEVICES, 1)}
OUTSIDE = {
    "ipv4": [parse_address("198.51.100.1"), parse_address("198.51.100.2")],
    "ipv6": [parse_address("2001:db8:100::1"), parse_address("2001:db8:100::2")],
}


def layout_of(entries, moves=frozenset({"dev-a", "dev-b"}), reach=True, **fields):
    return Layout(
        layout_id="made", title="made", router="vlan", moves=frozenset(moves), hub_moves=None, entries=tuple(entries),
        segments=(
            Segment(name=MAIN, description="", clients_reach_each_other=None, is_unchanged=True),
            Segment(name=LIGHTS, description="", clients_reach_each_other=reach),
        ),
        **fields,
    )  # fmt: skip


def replayer_of(layout, tallies=None, **fields):
    classes = SimpleNamespace(
        tallies=tallies or {}, parties=SimpleNamespace(routers=frozenset({"router"})), overflow=0
    )
    return Replayer(layout, classes, **fields)


def device(name):
    return End("device", name)


def tcp(first, second, port=80, family="ipv4", **fields):
    return replace_class(FlowClass(first, second, family, "tcp", port, -1, True, False, False), **fields)


def replace_class(one, **fields):
    return one._replace(**fields)


def sources(moves):
    segments = st.sampled_from([MAIN, LIGHTS, ANYWHERE]).map(lambda s: Selector(segment=s))
    owned = st.sampled_from(DEVICES).map(
        lambda d: Selector(segment=LIGHTS if d in moves else MAIN, device_id=d, link_address=LINK[d])
    )
    return st.one_of(segments, owned)


def destinations(moves, family):
    segments = st.sampled_from([MAIN, LIGHTS, INTERNET, ANYWHERE]).map(lambda s: Selector(segment=s))
    if family is None:
        return segments
    owned = st.sampled_from(DEVICES).map(
        lambda d: Selector(
            segment=LIGHTS if d in moves else MAIN, device_id=d, addresses=(ADDRESS[family, d],)
        )
    )
    outside = st.lists(st.sampled_from(OUTSIDE[family]), min_size=1, max_size=2, unique=True).map(
        lambda found: Selector(segment=INTERNET, addresses=tuple(found))
    )
    return st.one_of(segments, owned, outside)


@st.composite
def plans(draw):
    moves = frozenset(draw(st.sets(st.sampled_from(DEVICES))))
    entries = []
    for _ in range(draw(st.integers(0, 8))):
        family = draw(st.sampled_from([None, "ipv4", "ipv6"]))
        transport = draw(st.sampled_from([None, "tcp", "udp"]))
        entries.append(
            Entry(
                source=draw(sources(moves)),
                destination=draw(destinations(moves, family)),
                family=family,
                transport=transport,
                port=draw(st.sampled_from([None, 80, 123])) if transport else None,
                forwarding=draw(st.sampled_from(["accept", "drop", "reject"])),
            )
        )
    return layout_of(entries, moves)


@st.composite
def flows(draw):
    family = draw(st.sampled_from(["ipv4", "ipv6"]))
    ends = st.one_of(
        st.sampled_from(DEVICES).map(device),
        st.just(End("home")),
        st.sampled_from(OUTSIDE[family]).map(lambda a: End("outside", "", a)),
    )
    transport = draw(st.sampled_from(["tcp", "udp"]))
    port = draw(st.sampled_from([80, 123, 443]))
    return FlowClass(draw(ends), draw(ends), family, transport, port, -1, True, False, False)


def reference_router(layout, one):
    """A router by the words of the standards: interface, link address, address, protocol, port; first match, else pass."""

    def interface(end):
        if end.kind == "outside":
            return "wan"
        return "lights" if end.device_id in layout.moves else "main"

    came, goes = interface(one.initiator), interface(one.responder)
    if came == goes:
        return None
    link = LINK.get(one.initiator.device_id)
    target = (
        one.responder.address
        if one.responder.kind == "outside"
        else ADDRESS.get((one.family, one.responder.device_id))
    )
    wire = {MAIN: "main", LIGHTS: "lights", INTERNET: "wan"}
    for entry in layout.entries:
        wanted = [
            entry.source.segment == ANYWHERE or wire[entry.source.segment] == came,
            entry.destination.segment == ANYWHERE or wire[entry.destination.segment] == goes,
            entry.source.link_address is None or entry.source.link_address == link,
            not entry.destination.addresses or target in entry.destination.addresses,
            entry.family in {None, one.family},
            entry.transport in {None, one.transport},
            entry.port in {None, one.port},
        ]
        if all(wanted):
            return Verdict.KEPT if entry.forwarding == "accept" else Verdict.CUT
    return Verdict.KEPT


@given(plans(), st.lists(flows(), min_size=1, max_size=10))
def test_two_evaluations_agree(layout, tried):
    replayer = replayer_of(layout)
    for one in tried:
        wanted = reference_router(layout, one)
        if wanted is not None:
            assert replayer.rule(one, Tally()).verdict is wanted


STORIES = [good_vantage, hub_polling, quiet_and_good, both_families, after_isolation]


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_every_flow_has_exactly_one_verdict(story, tmp_path):
    proposal = propose_for(story(), tmp_path)
    total = proposal.classes.flows
    assert total == sum(tally.flows for tally in proposal.classes.tallies.values())
    for plan in (proposal.recommended, *proposal.alternatives):
        replay = plan.replay
        assert replay.kept + replay.cut + replay.unknown == total
        assert replay.broken <= replay.cut
        assert replay.still_exposed <= replay.kept


WALL = Entry(
    source=Selector(segment=LIGHTS),
    destination=Selector(segment=ANYWHERE),
    family=None,
    transport=None,
    forwarding="drop",
)


def test_the_initiator_decides():
    replayer = replayer_of(layout_of([WALL]))
    assert replayer.rule(tcp(device("dev-a"), device("dev-c")), Tally()).verdict is Verdict.CUT
    assert replayer.rule(tcp(device("dev-c"), device("dev-a")), Tally()).verdict is Verdict.KEPT
    unknown = tcp(device("dev-a"), device("dev-c"), initiator_known=False)
    assert replayer.rule(unknown, Tally()).verdict is Verdict.UNKNOWN


def test_inside_one_segment_the_access_point_decides():
    one = tcp(device("dev-a"), device("dev-b"))
    for reach, verdict in ((True, Verdict.KEPT), (False, Verdict.CUT), (None, Verdict.UNKNOWN)):
        assert replayer_of(layout_of([WALL], reach=reach)).rule(one, Tally(answered=1)).verdict is verdict
    stays = tcp(device("dev-c"), device("dev-d"))
    assert replayer_of(layout_of([WALL])).rule(stays, Tally(answered=1)).verdict is Verdict.KEPT
    assert replayer_of(layout_of([WALL])).rule(stays, Tally(answered=0)).verdict is Verdict.UNKNOWN


def test_link_local_is_not_routed():
    one = tcp(device("dev-c"), device("dev-a"), family="ipv6", is_link_local=True)
    assert replayer_of(layout_of([])).rule(one, Tally()).verdict is Verdict.CUT


def test_an_unknown_family_stays_unknown():
    layout = replace(layout_of([]), unknown_families=frozenset({"ipv6"}))
    one = tcp(device("dev-c"), device("dev-a"), family="ipv6")
    assert replayer_of(layout).rule(one, Tally()).verdict is Verdict.UNKNOWN
    assert replayer_of(layout).rule(one._replace(family="ipv4"), Tally()).verdict is Verdict.KEPT


def test_fragments_and_errors_follow_their_conversation():
    cut = tcp(device("dev-a"), device("dev-c"), 8080)
    kept = tcp(device("dev-c"), device("dev-b"), 80)
    tallies = {
        cut: Tally(1),
        kept: Tally(1),
        tcp(device("dev-a"), device("dev-c"), 0, is_piece=True): Tally(1),
        FlowClass(device("dev-b"), device("dev-c"), "ipv4", "icmp", 0, 3, True, False, False): Tally(1),
        FlowClass(device("dev-c"), device("dev-a"), "ipv4", "icmp", 0, 3, True, False, False): Tally(1),
        FlowClass(device("dev-d"), device("dev-a"), "ipv4", "icmp", 0, 11, True, False, False): Tally(1),
    }
    replayer = replayer_of(layout_of([WALL]), tallies)
    verdicts = [replayer.rulings[one].verdict for one in tallies]
    assert verdicts == [Verdict.CUT, Verdict.KEPT, Verdict.CUT, Verdict.KEPT, Verdict.CUT, Verdict.UNKNOWN]


GROUP = End("group", "", parse_address("224.0.0.251"))


def announcement(name):
    return FlowClass(device(name), GROUP, "ipv4", "udp", 5353, -1, True, True, False)


def test_announcements_stop_between_segments_and_a_relay_proves_nothing():
    tallies = {announcement("dev-a"): Tally(1), announcement("dev-c"): Tally(1)}
    parted = replayer_of(layout_of([WALL]), tallies)
    assert {ruling.verdict for ruling in parted.rulings.values()} == {Verdict.CUT}
    relayed = replayer_of(layout_of([WALL], is_relayed=True), tallies)
    assert {ruling.verdict for ruling in relayed.rulings.values()} == {Verdict.UNKNOWN}
    together = replayer_of(
        layout_of([WALL]), {announcement("dev-a"): Tally(1), announcement("dev-b"): Tally(1)}
    )
    assert {ruling.verdict for ruling in together.rulings.values()} == {Verdict.KEPT}


def test_show_data_to_a_group_does_not_reach_lights_in_another_segment():
    group = End("group", "", parse_address("239.255.0.1"))
    one = FlowClass(device("dev-c"), group, "ipv4", "udp", 5568, -1, True, False, False)
    replayer = replayer_of(layout_of([]), {one: Tally(1)}, listeners={5568: frozenset({"dev-a"})})
    assert replayer.rulings[one].verdict is Verdict.CUT


def test_housekeeping_with_the_router_goes_on_and_its_page_does_not_open():
    wall = replace(WALL, destination=Selector(segment=ROUTER))
    leases = Entry(
        source=Selector(segment=LIGHTS),
        destination=Selector(segment=ROUTER),
        family=None,
        transport="udp",
        port=67,
    )
    replayer = replayer_of(layout_of([leases, wall]))
    everybody, router = End("everybody"), End("router", "router")
    for one, verdict in (
        (FlowClass(End("nobody"), everybody, "ipv4", "udp", 67, -1, True, False, False), Verdict.KEPT),
        (FlowClass(device("dev-a"), everybody, "ipv4", "udp", 67, -1, True, False, False), Verdict.KEPT),
        (FlowClass(device("dev-a"), GROUP, "ipv6", "icmpv6", 0, 135, True, True, False), Verdict.KEPT),
        (FlowClass(device("dev-a"), router, "link", "arp", 0, -1, True, True, False), Verdict.KEPT),
        (tcp(device("dev-a"), router, 80), Verdict.CUT),
        (tcp(device("dev-c"), router, 80), Verdict.KEPT),
        (
            FlowClass(device("dev-a"), device("dev-c"), "link", "arp", 0, -1, True, True, False),
            Verdict.UNKNOWN,
        ),
    ):
        assert replayer.rule(one, Tally()).verdict is verdict, one
