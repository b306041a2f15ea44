"""
Plans of invented households: must and must not.  Scenarios S22, S26, S29, S36 of the needs; the table of options there;
RFC 1918 (prefixes), RFC 8519 (entries), RFC 4890 section 4.4.1 (ICMPv6 a router must take).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from auditor.addresses import format_address, parse_address
from auditor.errors import JudgementError
from auditor.isolation.addressing import plan_addresses
from auditor.isolation.model import INTERNET, LIGHTS, MAIN, ROUTER, Verdict
from auditor.isolation.replay import Replayer
from tests.builders import Recording
from tests.household.home import FILE_SERVER, HUB, LAPTOP, LIGHT, MOVED_LIGHT, PHONE, SHOW_COMPUTER, TWIN, WEB
from tests.household.messages import e131, http_request
from tests.household.sessions import stored
from tests.household.stories import after_isolation, good_vantage, hub_polling, laptop_on_wifi, quiet_and_good
from tests.isolation_households import CAPTURES, FINE, STATE, both_families, propose_for
from tests.scenarios.support import cloud_session, on_the_path

DEVICES = """
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
  - {link_address: "8a:4c:1d:20:71:05", role: phone, nickname: guest phone}
  - {link_address: "02:00:5e:10:00:01", role: router, nickname: router}
  - {link_address: "02:00:00:00:00:77", role: computer, nickname: garden tablet}
"""


def states(plan):
    return {wish.keep.wish: wish.state for wish in plan.wishes}


def plan_of(proposal, layout_id):
    plans = {one.layout.layout_id: one for one in (proposal.recommended, *proposal.alternatives)}
    return plans[layout_id]


def opened(plan):
    """Entries that recorded flows asked for, as (source segment, destination segment, family, transport, port)."""
    return [
        (e.source.segment, e.destination.segment, e.family, e.transport, e.port)
        for e in plan.layout.entries
        if e.because and e.forwarding == "accept"
    ]


def test_the_demonstration_household(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    best = proposal.recommended
    assert best.layout.layout_id == "vlan-hub-moves"
    assert set(states(best).values()) == {"kept"}
    assert opened(best) == [(LIGHTS, INTERNET, "ipv4", "udp", 123), (MAIN, LIGHTS, "ipv4", "tcp", 80)]
    assert proposal.nothing.layout.layout_id == "as-it-is"
    assert proposal.cheaper is not None
    assert proposal.cheaper.layout.cost < best.layout.cost
    # The hub in its place needs exactly its two ports more.
    stays = plan_of(proposal, "vlan")
    assert states(stays)["light-follows-hub"] == "needs-exception"
    exceptions = [e for e in stays.layout.entries if e.is_exception]
    assert [(e.port, list(map(format_address, e.destination.addresses))) for e in exceptions] == [
        (1883, [HUB.ipv4]),
        (8080, [HUB.ipv4]),
    ]
    assert all(e.source.device_id is not None for e in exceptions)


def test_nothing_opens_everything(tmp_path):
    """Must not: an entry that lets the lights begin anything towards the main network, or everything towards the outside."""
    for story in (good_vantage, hub_polling, quiet_and_good, both_families):
        proposal = propose_for(story(), tmp_path)
        for plan in (proposal.recommended, *proposal.alternatives):
            if plan.layout.router != "vlan":
                continue
            for entry in plan.layout.entries:
                if entry.forwarding == "accept" and entry.source.segment == LIGHTS:
                    assert entry.transport is not None
                    assert entry.port is not None or entry.message_types or entry.transport == "igmp"
                if entry.forwarding == "accept" and entry.destination.segment in {MAIN, INTERNET}:
                    assert entry.destination.addresses
                    assert entry.because


def test_a_poller_gets_one_narrow_exception(tmp_path):
    """S22, S36: the exact exception; the effect and the retry load where it is missing."""
    home = DEVICES + "keep: [light-follows-hub]\n"
    proposal = propose_for(hub_polling(), tmp_path, home=home)
    stays = plan_of(proposal, "vlan")
    (exception,) = [e for e in stays.layout.entries if e.is_exception]
    assert (exception.transport, exception.port, exception.family) == ("tcp", 8080, "ipv4")
    assert exception.destination.addresses == (parse_address(HUB.ipv4),)
    assert exception.because
    cut = plan_of(proposal, "guest")
    assert states(cut)["light-follows-hub"] == "broken"
    assert cut.summary[0].startswith("BREAKS light-follows-hub")
    assert any("tries every 1 s" in line for line in cut.unknown)
    assert "malware" not in " ".join(cut.unknown + cut.summary).lower()


@pytest.mark.parametrize(
    ("router", "allowed"),
    [("nothing", {"nothing"}), ("guest", {"nothing", "guest"}), ("vlan", {"nothing", "guest", "vlan"}), (None, {"nothing", "guest", "vlan"})],
)  # fmt: skip
def test_only_what_the_router_can_do_is_recommended(router, allowed, tmp_path):
    proposal = propose_for(
        good_vantage(), tmp_path, router=router, home=DEVICES + "keep: [phone-control, time]\n"
    )
    assert proposal.recommended.layout.router in allowed
    if proposal.recommended.broken:
        assert proposal.recommended.summary[0].startswith("BREAKS")
    layouts = {one.layout.layout_id for one in (proposal.recommended, *proposal.alternatives)}
    assert "as-it-is" in layouts


def test_without_a_home_file_wishes_are_taken_from_the_recording(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path, has_home=False)
    assert all(wish.is_assumed for wish in proposal.recommended.wishes)
    assert states(proposal.recommended)["phone-control"] != "unknown"
    assert "cloud" not in states(proposal.recommended)


def test_a_wish_that_was_not_recorded_is_unknown_never_kept(tmp_path):
    home = DEVICES + "keep: [voice, updates, show-data, {wish: cloud, from: shelf light}]\n"
    proposal = propose_for(quiet_and_good(), tmp_path, home=home)
    for plan in (proposal.recommended, *proposal.alternatives):
        found = states(plan)
        assert found["updates"] == found["show-data"] == "unknown"
    assert "Not known" in proposal.recommended.summary[0]


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ("{wish: phone-control, from: garden tablet}", "no device of this recording"),
        ("{wish: light-follows-hub, from: hub, to: shelf light}", "no light"),
        ("{wish: phone-control, to: hub}", "no light"),
        ("{wish: cloud, from: hub}", "no light"),
    ],
)
def test_wishes_that_cannot_be_are_told(wish, words, tmp_path):
    proposal = propose_for(good_vantage(), tmp_path, home=f"{DEVICES}keep:\n  - {wish}\n")
    (result,) = proposal.recommended.wishes
    assert result.state == "unknown"
    assert words in result.because


def test_a_hub_that_is_not_there(tmp_path):
    home = DEVICES.replace('  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}\n', "")
    recording = Recording()
    recording.dhcp_lease(LIGHT)
    for moment in (4, 150, 290):
        recording.at(moment)
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    proposal = propose_for(recording, tmp_path, home=home + "keep: [hub-controls-light, phone-control]\n")
    [hub] = [wish for wish in proposal.recommended.wishes if wish.keep.wish == "hub-controls-light"]
    assert (hub.state, hub.because) == ("unknown", "no hub is in this recording")
    assert "Not known: hub-controls-light" in proposal.recommended.summary[0]
    plans = (proposal.recommended, *proposal.alternatives)
    assert not any(plan.layout.hub_moves for plan in plans)
    assert not any("hub" in plan.layout.layout_id for plan in plans)
    assert states(proposal.recommended)["phone-control"] == "kept"


def test_moving_the_hub_keeps_what_it_did(tmp_path):
    """The file server calls the hub: with the hub moved, the way to it is opened, for that port alone."""
    proposal = propose_for(both_families(), tmp_path)
    moved = plan_of(proposal, "vlan-hub-moves")
    assert (MAIN, LIGHTS, "ipv4", "tcp", 8080) in opened(moved)
    assert moved.replay.broken == 0


def test_show_data_to_groups_moves_its_sender_or_is_told(tmp_path):
    """S26: group traffic stops at the router."""

    def story(recording):
        for frame in range(20):
            recording.wait(0.025)
            recording.group_datagram(SHOW_COMPUTER, "239.255.0.1", (5568, 5568), e131(1, frame, bytes(12)))
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    proposal = propose_for(on_the_path(story), tmp_path, home=DEVICES + "keep: [show-data, phone-control]\n")
    assert states(plan_of(proposal, "vlan"))["show-data"] == "broken"
    best = proposal.recommended
    assert best.layout.layout_id.endswith("-show-moves")
    assert states(best)["show-data"] == "kept"
    assert any("show computer" in line for line in best.layout.does_not_protect)


def test_discovery_needs_a_relay_and_is_never_called_kept(tmp_path):
    """RFC 6762 section 11."""
    proposal = propose_for(good_vantage(), tmp_path, home=DEVICES + "keep: [discovery, phone-control]\n")
    best = proposal.recommended
    assert best.layout.is_relayed
    assert states(best)["discovery"] == "needs-exception"
    assert best.exceptions >= 1
    assert any("relay" in step.do for step in best.steps)
    without = plan_of(proposal, "guest")
    assert states(without)["discovery"] == "broken"


def test_both_families_get_the_same_walls(tmp_path):
    proposal = propose_for(both_families(), tmp_path)
    plan = plan_of(proposal, "vlan")
    drops = [e for e in plan.layout.entries if e.forwarding == "drop"]
    assert drops
    assert all(e.family is None and e.transport is None for e in drops)
    families = {e.family for e in plan.layout.entries if e.is_exception}
    assert families == {"ipv4", "ipv6"}
    icmpv6 = next(
        e for e in plan.layout.entries if e.transport == "icmpv6" and e.destination.segment == ROUTER
    )
    assert {1, 2, 3, 4, 133, 134, 135, 136} <= set(icmpv6.message_types)  # RFC 4890 4.4.1


def test_one_family_alone_is_said(tmp_path):
    without = propose_for(good_vantage(), tmp_path).recommended
    assert any("No IPv6 conversation" in line for line in without.beside)

    def story(recording):
        recording.http_exchange(PHONE, LIGHT, STATE, FINE, family="ipv6")

    proposal = propose_for(on_the_path(story), tmp_path, home=DEVICES + "keep: [phone-control]\n")
    (entry,) = [e for e in plan_of(proposal, "vlan").layout.entries if e.because]
    assert entry.family == "ipv6"
    # S29: nothing is claimed about callers from outside.
    text = " ".join(proposal.recommended.beside)
    assert "test from outside" in text
    assert "exposed" not in text


def test_addresses_of_a_moved_segment_were_never_seen(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    prefix = proposal.addressing.lights_prefix
    assert str(prefix) == "192.168.78.0/24"
    assert format_address(
        proposal.addressing.planned[next(iter(proposal.recommended.layout.moves))]
    ).startswith("192.168.78.")
    # Two networks of one prefix, or one that lies where ours would: another is taken.
    devices = proposal.inventory.devices
    crowded = replace(devices[0], addresses=tuple(parse_address(f"192.168.{n}.9") for n in range(256)))
    made = plan_addresses(replace(proposal.inventory, devices=(crowded,)), [crowded.device_id])
    assert str(made.lights_prefix) == "172.16.0.0/24"
    full = replace(
        crowded, addresses=(*crowded.addresses, *(parse_address(f"172.16.{n}.9") for n in range(256)))
    )
    none_left = plan_addresses(replace(proposal.inventory, devices=(full,)), [full.device_id])
    assert none_left.lights_prefix is None
    assert none_left.planned == {}
    twins = tuple(replace(d, addresses=(parse_address(LIGHT.ipv4),)) for d in devices[:2])
    shared = plan_addresses(replace(proposal.inventory, devices=twins), [d.device_id for d in twins])
    assert shared.shared == {parse_address(LIGHT.ipv4)}
    assert len(set(shared.planned.values())) == 2


def test_lights_that_are_parted_already_keep_their_subnet(tmp_path):
    proposal = propose_for(after_isolation(), tmp_path, devices=(MOVED_LIGHT.link,))
    assert str(proposal.addressing.lights_prefix) == "192.168.78.0/24"
    light = next(d.device_id for d in proposal.inventory.devices if d.is_chosen)
    assert format_address(proposal.addressing.planned[light]) == MOVED_LIGHT.ipv4
    assert any("already" in line for line in proposal.recommended.unknown)


def test_the_own_access_point_has_no_router_behind_it(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    plan = plan_of(proposal, "own-access-point")
    replayer = Replayer(plan.layout, proposal.classes)
    lookups = [
        one
        for one in proposal.classes.tallies
        if one.port == 53 and one.initiator.device_id in plan.layout.moves
    ]
    assert lookups
    assert {replayer.rulings[one].verdict for one in lookups} == {Verdict.CUT}
    assert states(plan)["phone-control"] == "kept"
    assert states(plan)["time"] == "broken"


def test_what_a_guest_network_asks_of_the_router_is_not_guessed(tmp_path):
    """Time from the router: whether guests get it differs from router to router."""
    proposal = propose_for(quiet_and_good(), tmp_path, home=DEVICES + "keep: [time]\n")
    assert states(plan_of(proposal, "guest"))["time"] == "unknown"
    assert states(plan_of(proposal, "vlan"))["time"] == "kept"


def test_a_plan_that_fences_nothing_off_says_so(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path, router="guest")
    assert "Nothing is fenced off" in proposal.nothing.summary[0]
    assert "Nothing is fenced off" not in plan_of(proposal, "vlan").summary[0]


def test_the_wrong_place_is_refused_with_advice(tmp_path):
    with pytest.raises(JudgementError, match="record"):
        propose_for(laptop_on_wifi(), tmp_path)


def test_attempts_that_failed_are_no_wish(tmp_path):
    """An unanswered attempt at the hub did not work before: nothing to keep."""

    def story(recording):
        recording.http_exchange(HUB, LIGHT, STATE, FINE)
        recording.attempt(LIGHT, HUB, 8080)
        recording.attempt(LIGHT, FILE_SERVER, 445)
        recording.attempt(LIGHT, TWIN, 80)

    proposal = propose_for(
        on_the_path(story), tmp_path, home=DEVICES + "keep: [light-follows-hub, hub-controls-light]\n"
    )
    found = states(proposal.recommended)
    assert found["light-follows-hub"] == "unknown"
    assert found["hub-controls-light"] == "kept"


def test_the_cloud_by_wish_names_its_host(tmp_path):
    def story(recording):
        cloud_session(recording)
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    recording = on_the_path(story)
    wished = propose_for(recording, tmp_path, home=DEVICES + "keep: [cloud, phone-control]\n").recommended
    (entry,) = [e for e in wished.layout.entries if e.destination.segment == INTERNET]
    assert entry.destination.name == "cloud.shelf-light.example"
    assert states(wished)["cloud"] == "kept"
    unwished = propose_for(recording, tmp_path, home=DEVICES + "keep: [phone-control]\n").recommended
    assert not [e for e in unwished.layout.entries if e.destination.segment == INTERNET]


def test_light_to_light_dies_under_client_isolation(tmp_path):
    """S36: the loss is told, with the layout that keeps it."""

    def story(recording):
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)
        recording.http_exchange(
            LIGHT, TWIN, http_request("POST", "/json/state", TWIN.ipv4, body={"on": True}), FINE
        )

    home = (
        DEVICES
        + '  - {link_address: "00:00:5e:00:53:22", role: lighting, nickname: second light}\nkeep: [light-to-light]\n'
    )
    proposal = propose_for(on_the_path(story), tmp_path, home=home)
    assert states(plan_of(proposal, "guest-isolated"))["light-to-light"] == "broken"
    assert states(plan_of(proposal, "guest"))["light-to-light"] == "kept"
    assert states(proposal.recommended)["light-to-light"] == "kept"


def test_every_plan_carries_steps_that_can_be_undone(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    for plan in (proposal.recommended, *proposal.alternatives):
        assert plan.steps
        for step in plan.steps:
            assert step.do
            assert step.test
            assert step.undo


def test_still_exposed_counts_what_findings_are_about(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    exposed = [one for one, tally in proposal.classes.tallies.items() if tally.is_exposed]
    ports = {(one.transport, one.port) for one in exposed}
    assert ("tcp", 80) in ports
    assert ("tcp", 1883) in ports
    assert proposal.nothing.replay.still_exposed >= proposal.recommended.replay.still_exposed > 0


VOICE = DEVICES + "keep: [voice, phone-control]\n"


def voice(recording, folder):
    [result] = [
        one
        for one in propose_for(recording, folder, home=VOICE).recommended.wishes
        if one.keep.wish == "voice"
    ]
    return result


def test_voice_through_a_cloud_is_said_to_be_unknown(tmp_path):
    """An order inside TLS cannot be read (RFC 8446 section 2): whether it came by voice no recording shows."""

    def through_cloud(recording):
        cloud_session(recording)
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    clouded = voice(on_the_path(through_cloud), tmp_path)
    assert clouded.state == "unknown"
    assert "the lights keep a way to a cloud" in clouded.because
    assert "wish for cloud as well" in clouded.because
    alone = voice(on_the_path(lambda r: r.http_exchange(PHONE, LIGHT, STATE, FINE)), tmp_path)
    assert alone.state == "unknown"
    assert "nor do the lights keep a way to a cloud" in alone.because
    through_hub = voice(on_the_path(lambda r: r.http_exchange(HUB, LIGHT, STATE, FINE)), tmp_path)
    assert through_hub.state == "kept"
    assert "cannot be told apart here: try it" in through_hub.because


def test_a_wish_with_two_ways_names_the_one_that_stays(tmp_path):
    """E1.31 to a group stops at a router (ANSI E1.31-2018 9.3), to a single address it passes: broken, and that is named."""

    def story(recording):
        recording.http_exchange(PHONE, LIGHT, STATE, FINE)
        for frame in range(20):
            recording.wait(0.025)
            recording.group_datagram(SHOW_COMPUTER, "239.255.0.1", (5568, 5568), e131(1, frame, bytes(12)))
            recording.datagram(SHOW_COMPUTER, LIGHT, (5568, 5568), e131(2, frame, bytes(12)))

    proposal = propose_for(on_the_path(story), tmp_path, home=DEVICES + "keep: [show-data, phone-control]\n")
    plan = plan_of(proposal, "vlan")
    [wish] = [one for one in plan.wishes if one.keep.wish == "show-data"]
    assert wish.state == "broken"
    assert "group traffic stays in its own segment" in wish.because.partition("; still works: ")[0]
    assert "lets it through" in wish.because.partition("; still works: ")[2]
    assert plan.summary[0].startswith("BREAKS show-data")


def test_where_nothing_is_fenced_off_the_next_plan_is_named(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path, router="guest")
    assert proposal.recommended.layout.layout_id == "as-it-is"
    assert "(guest-hub-moves) breaks phone-control" in proposal.recommended.summary[0]
    fenced = propose_for(good_vantage(), tmp_path, router="vlan")
    assert "The next" not in fenced.recommended.summary[0]


def test_a_wish_to_be_apart_is_kept_by_a_wall_alone(tmp_path):
    """ETSI EN 303 645 5.3-15A speaks of isolating a device; stopping its way to the internet is no wall at home."""
    proposal = propose_for(good_vantage(), tmp_path, home=DEVICES + "keep: [separation]\n")
    assert states(proposal.recommended) == {"separation": "kept"}
    assert proposal.recommended.layout.protection == 2
    for layout_id in ("as-it-is", "internet-blocked", "lights-behind-second-router"):
        plan = plan_of(proposal, layout_id)
        assert states(plan) == {"separation": "broken"}
        assert plan.summary[0].startswith("BREAKS separation")
        assert plan.replay.broken == 0
    guest = propose_for(good_vantage(), tmp_path, router="guest", home=DEVICES + "keep: [separation]\n")
    assert guest.recommended.layout.router == "guest"


def test_no_shell_is_opened_for_control_by_hand(tmp_path):
    """Must not: Telnet, SSH and FTP of the demonstration (RFC 854, RFC 4253, RFC 959) held open by phone-control."""
    proposal = propose_for(
        CAPTURES / "everything-speaks.pcapng",
        tmp_path,
        home=(CAPTURES / "everything-speaks.home.yaml").read_text("utf-8"),
        router="vlan",
        devices=(),
    )
    opened_ports = {port for way in opened(plan_of(proposal, "vlan")) for port in way[4:]}
    assert 80 in opened_ports
    recorded = {one.port for one, tally in proposal.classes.tallies.items() if tally.answered}
    assert {21, 23, 2222} <= recorded
    assert not {21, 23, 2222} & opened_ports
