"""The builder as a whole: same input, same inventory; nothing in it; bounds."""

import random

import pytest

from auditor.dissect.message import Issue
from auditor.inventory.build import MAX_ISSUES, InventoryBuilder
from auditor.inventory.facts import COMPARISON_FACTS, FACT_CLASSES
from tests.unit.inventory.scenes import (
    CLOUD,
    HUB,
    IP,
    LIGHT,
    PHONE,
    ROUTER,
    Scene,
    by_link,
    connack,
    connect,
    end,
    light_home,
)


def household(**more):
    scene = Scene(home=light_home((30, "power-on"), (120, "app")), **more)
    scene.others()
    scene.lease(LIGHT, at=31)
    scene.announce(LIGHT, "shelf-light.local")
    scene.lookup(LIGHT, "cloud.example", [CLOUD], at=32)
    scene.tls(end(LIGHT, port=40_000), end(ROUTER, CLOUD, 443), at=33, lasts=500)
    scene.http(
        end(PHONE, port=50_000), end(LIGHT, port=80), "POST", "/state", request={"body": ("on",)}, at=121
    )
    key = scene.flow(end(LIGHT, port=40_001), end(HUB, port=1883), at=40)
    scene.say(key, "mqtt", connect(), at=40)
    scene.say(key, "mqtt", connack(), at=40, back=True)
    return scene


def test_same_input_gives_the_same_inventory():
    assert household().build() == household().build()


def test_order_of_flows_does_not_matter():
    first, second = household(), household()
    random.Random(7).shuffle(second.flows)
    assert first.build() == second.build()


def test_run_key_reaches_no_output():
    scene = household()
    assert b"one run" not in repr(scene.build()).encode()
    scene, other = household(), household()
    other.builder.secrets._run_key = b"another"
    assert scene.build() == other.build()


def test_every_fact_belongs_to_a_listed_device_and_names_packets():
    inventory = household().build()
    listed = {device.device_id for device in inventory.devices}
    assert set(inventory.facts) == set(FACT_CLASSES) - COMPARISON_FACTS
    for word, facts in inventory.facts.items():
        for fact in facts:
            assert isinstance(fact, FACT_CLASSES[word])
            assert fact.device_id in listed
            assert fact.evidence == tuple(sorted(fact.evidence))
            assert fact.evidence, word
            assert fact.first_seen_ns <= fact.last_seen_ns


def test_nothing_recorded_is_judged_as_nothing():
    inventory = InventoryBuilder().build((), ())
    assert inventory.devices == ()
    assert inventory.coverage.vantage == "unknown"
    assert inventory.coverage.abilities == ()
    assert inventory.coverage.scope


def test_issues_are_bounded_and_the_rest_is_said():
    scene = household()
    for number in range(MAX_ISSUES + 5):
        scene.builder.observe(Issue(where="dns name", problem="loop", packet=None, timestamp_ns=number))
    inventory = scene.build()
    assert len(inventory.issues) == MAX_ISSUES
    assert any("5 further entries" in one.reason for one in inventory.coverage.could_not_see)


@pytest.mark.parametrize("written", [LIGHT, LIGHT.upper().replace(":", "-"), IP[LIGHT], "Shelf Light"])
def test_device_is_found_by_link_address_address_and_nickname(written):
    scene = household()
    scene.builder.chosen = (written,)
    inventory = scene.build()
    assert inventory.not_in_recording == ()
    assert [d.device_id for d in inventory.devices if d.is_chosen] == [by_link(inventory, LIGHT).device_id]


def test_identifier_depends_on_identity_alone():
    """BLAKE2b (RFC 7693) over the link address; neither address nor time."""
    import hashlib

    light = by_link(household().build(), LIGHT)
    assert light.identity == f"link:{LIGHT}"
    assert light.device_id == "dev-" + hashlib.blake2b(light.identity.encode(), digest_size=4).hexdigest()


def test_unclaimed_payload_of_the_chosen_device_is_counted():
    scene = household()
    mine = scene.flow(end(LIGHT, port=40_009), end(HUB, port=9999))
    others = scene.flow(end(PHONE, port=40_009), end(HUB, port=9999))
    assert scene.build(unclaimed={mine: 3, others: 5}).unread_messages == 3
