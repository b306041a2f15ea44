"""
Lights driven by protocols without a login, recorded live.

Oracles: what the senders say they sent; sacn, stupidArtnet, aioartnet, python-led-ddp, python-osc and xknx made every octet.
"""

from collections import Counter

import pytest

from auditor.dissect.protocols.e131 import E131Data, E131Discovery, E131Synchronization
from tests.lab.recorded import HUB, LIGHT, PHONE, Recorded, at_home
from tests.lab.roles.show import BACKUP_UNIVERSE, UNIVERSE
from tests.scenarios.support import device_id, findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-show")]


@pytest.fixture(scope="module")
def show(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-show")
    with at_home(folder) as house:
        recorded = Recorded(folder / "show.pcap", folder)
        house.record(recorded.capture)
        house.start_role("light", "show.osc_server", LIGHT.ipv4)
        house.start_role("hub", "show.knx_server", HUB.ipv4)
        deeds = recorded.deeds
        deeds["e131"] = house.role("hub", "show.e131", HUB.ipv4, LIGHT.ipv4, "12")
        deeds["artnet"] = house.role("hub", "show.artnet", LIGHT.ipv4, "10")
        house.start_role("light", "show.artnet_node")
        deeds["artnet search"] = house.role("phone", "show.artnet_search")
        house.stop_last()
        deeds["ddp"] = house.role("hub", "show.ddp", LIGHT.ipv4)
        deeds["osc"] = house.role("phone", "show.osc", LIGHT.ipv4)
        deeds["knx routing"] = house.role("phone", "show.knx_routing", PHONE.ipv4)
        deeds["knx tunnelling"] = house.role("phone", "show.knx_tunnelling", HUB.ipv4, PHONE.ipv4)
        return recorded.done()


def test_nothing_was_unreadable(show):
    assert [(issue.where, issue.problem) for issue in show.issues] == []


def test_streaming_data_is_told_by_universe_and_priority(show):
    frames = show.said("e131")["frames"]
    data = [
        one
        for one in show.messages("e131", deed="e131", source=HUB, kind=E131Data)
        if not one.message.is_terminated
    ]
    counted = Counter((one.message.universe, one.message.priority, one.message.slots) for one in data)

    # A keep-alive may repeat a frame (sacn sends unchanged data once a second).
    assert {key: frames <= count <= frames + 2 for key, count in counted.items()} == {
        (UNIVERSE, 120, 512): True, (BACKUP_UNIVERSE, 100, 512): True,
    }  # fmt: skip
    assert len(show.messages("e131", kind=E131Data)) - len(data) == 6  # three for each universe that ends
    assert {one.message.source_name for one in data} == {"evening show"}


def test_synchronisation_and_discovery_are_told(show):
    synchronisations = show.messages("e131", deed="e131", kind=E131Synchronization)
    discoveries = show.messages("e131", deed="e131", kind=E131Discovery)

    assert {one.message.universe for one in synchronisations} == {63_999}
    assert len(synchronisations) == show.said("e131")["frames"]
    assert discoveries
    assert {one.message.universes for one in discoveries} == {(UNIVERSE, BACKUP_UNIVERSE)}


def test_streaming_data_becomes_control_of_its_receiver_and_load_of_its_sender(show):
    light, hub = device_id(show.document, LIGHT), device_id(show.document, HUB)
    rows = {row["device_id"]: row for row in show.controls("e131", by=HUB)}
    [load] = findings(show.document, "multicast-lighting-load")

    assert set(rows) == {light, hub}  # the light by its own address; the group has no member here: its sender
    for row in rows.values():
        assert (row["effect"], row["authentication"], row["answered"]) == ("light", "none", None)
        assert show.is_within(row["first_packet"], "e131")
    assert load["device_id"] == hub


def test_art_net_data_and_search_are_told_apart(show):
    data = show.messages("artnet", deed="artnet", source=HUB)
    polls = [one for one in show.messages("artnet", source=PHONE) if one.message.effect == "read"]
    replies = [
        one for one in show.messages("artnet", deed="artnet search", source=LIGHT) if one.message.long_name
    ]
    [row] = show.controls("artnet", by=HUB)

    assert [one.message.universe for one in data] == [3] * show.said("artnet")["frames"]
    assert polls
    assert show.said("artnet search") == [LIGHT.ipv4]
    assert {one.message.long_name for one in replies} == {"light on the shelf"}
    assert (row["effect"], row["count"]) == ("light", len(data))
    assert show.is_within(row["first_packet"], "artnet")
    assert show.controls("artnet", by=PHONE, effect="light") == []


def test_pixels_are_told_with_their_place(show):
    parts = [one.message for one in show.messages("ddp", deed="ddp", source=HUB)]
    [row] = show.controls("ddp", by=HUB)

    assert [(part.offset_octets, part.data_octets, part.is_push) for part in parts] == [
        (0, 1440, False), (1440, show.said("ddp")["octets"] - 1440, True),
    ]  # fmt: skip
    assert (row["device_id"], row["count"]) == (device_id(show.document, LIGHT), 2)


def test_open_sound_control_is_told_in_every_framing(show):
    packets = [one.message for one in show.messages("osc", deed="osc", source=PHONE)]
    [row] = show.controls("osc", by=PHONE)

    assert [(one.framing, one.addresses) for one in packets] == [
        ("datagram", ("/shelf/colour",)), ("datagram", ("/shelf/brightness",)),
        ("slip", ("/shelf/on",)), ("length", ("/shelf/on",)),
    ]  # fmt: skip
    assert (packets[1].bundles, packets[1].messages) == (2, 2)
    assert (row["device_id"], row["count"]) == (device_id(show.document, LIGHT), 4)


def test_group_frames_of_the_bus_are_told(show):
    writes = [one.message.bus_message for one in show.messages("efcp", deed="knx routing", source=PHONE)]
    [row] = [
        one for one in show.controls("efcp", by=PHONE) if show.is_within(one["first_packet"], "knx routing")
    ]

    assert [(one.service_name, one.destination) for one in writes] == [("GroupValueWrite", 0x0A03)] * 2
    assert (row["effect"], row["count"]) == ("light", show.said("knx routing")["writes"])


def test_a_tunnel_is_told_from_opening_to_end(show):
    asked = [one.message for one in show.messages("efcp", deed="knx tunnelling", source=PHONE)]
    answered = [one.message for one in show.messages("efcp", deed="knx tunnelling", source=HUB)]
    writes = [one for one in asked if one.effect == "light"]

    assert [one.kind for one in asked if one.kind in {"connect", "disconnect"}] == ["connect", "disconnect"]
    assert [one.status for one in answered if one.kind == "connect-response"] == [0]
    assert len(writes) == show.said("knx tunnelling")["writes"]
    [row] = [
        one
        for one in show.controls("efcp", by=PHONE, effect="light")
        if show.is_within(one["first_packet"], "knx tunnelling")
    ]
    assert (row["device_id"], row["count"]) == (device_id(show.document, HUB), len(writes))


@pytest.mark.parametrize("protocol", ["e131", "artnet", "ddp", "osc"])
def test_nothing_stands_in_their_way(show, protocol):
    touched = {finding["device_id"] for finding in findings(show.document, "control-protocol-without-login")}
    rows = [row for row in show.controls(protocol) if row["effect"] == "light"]

    assert rows
    assert {row["device_id"] for row in rows} <= touched
