"""
Orders and streams of show and building control.

Sources: OSC 1.0 (address patterns), KNXnet/IP services 05 30 and 04 20 (from memory, as in ``gadget_messages``), DDP
destinations (from memory), RFC 9119 section 3.1 (group frames).  Octets are read by the dissectors.
"""

import pytest

from auditor.dissect.protocols import ddp, knxnet, osc
from auditor.inventory.floods import MIN_FRAMES
from auditor.wire import Cursor
from tests.household import gadget_messages as gadget
from tests.unit.inventory.scenes import HUB, IP, LAPTOP, LIGHT, ROUTER, SECOND, Scene, end, facts_of

PARSE = {
    "osc": next(row for row in osc.DISSECTORS if row.transport == "udp").parse_datagram,
    "ddp": ddp.DISSECTOR.parse_datagram,
    "efcp": next(
        row for row in getattr(knxnet, "DISSECTORS", None) or (knxnet.DISSECTOR,) if row.transport == "udp"
    ).parse_datagram,
}


def scene():
    made = Scene(chosen=(LIGHT,))
    made.others()
    made.arp(LIGHT, IP[ROUTER])
    return made


def controls(made):
    return [
        (f.protocol, f.operation, f.effect, f.authentication, f.answered, f.login_by_design, f.is_group)
        for f in facts_of(made.build(), "control")
    ]


def send(made, protocol, *payloads, to=None, port=9000):
    target = to or end(LIGHT, port=port)
    key = made.flow(end(HUB, port=50_000), target, protocol=17, received=0, outcome="unanswered")
    for number, payload in enumerate(payloads):
        made.say(key, protocol, PARSE[protocol](Cursor(payload)), at=2 + number / 10)


@pytest.mark.parametrize(
    ("address", "effect"),
    [("/light/1/dimmer", "light"), ("/1/fader3", "light"), ("/cue/12/go", "light"), ("/network/reset", "configuration"),
     ("/tempo", None)],
)  # fmt: skip
def test_osc_by_the_words_of_its_address(address, effect):
    made = scene()
    send(made, "osc", gadget.osc_float(address, 0.5))

    expected = [("osc", "message", effect, "none", None, False, False)] if effect else []
    assert controls(made) == expected


def test_a_group_value_written_by_routing_is_sent_to_a_group():
    made = scene()
    group = end("01:00:5e:00:17:0c", "224.0.23.12", 3671)
    send(made, "efcp", gadget.knx_routing_write(0x0A03, 1), to=group)

    assert controls(made) == [("efcp", "routing", "light", "none", None, False, True)]


def test_ddp_light_data_is_load_and_control_by_design_without_login():
    made = scene()
    send(made, "ddp", *(gadget.ddp(n, bytes(60)) for n in range(1, 11)), port=4048)
    inventory = made.build()

    [control] = facts_of(inventory, "control")
    assert (control.protocol, control.effect, control.login_by_design, control.count) == ("ddp", "light", False, 10)
    [load] = facts_of(inventory, "group-load")
    assert (load.protocol, load.is_group, load.airtime_most_percent) == ("ddp", False, None)


def test_ddp_settings_are_an_order():
    made = scene()
    send(made, "ddp", gadget.ddp(1, b'{"config":{"gw":"192.168.77.1"}}', destination=250), port=4048)

    assert controls(made) == [("ddp", "destination 250", "configuration", "none", None, False, False)]


def stream(made, *, packets, seconds, octets=600, back=0, target=None):
    made.flow(end(LAPTOP, port=50_000), target or end(LIGHT, port=21_324), lasts=seconds, protocol=17, sent=packets,
              received=back, data=(packets * octets, back), outcome="established" if back else "unanswered")  # fmt: skip


@pytest.mark.parametrize(
    ("shape", "is_flood"),
    [
        ({"packets": 400, "seconds": 10}, True),
        ({"packets": MIN_FRAMES - 1, "seconds": 2}, False),
        ({"packets": 400, "seconds": 300}, False),  # slower than any picture
        ({"packets": 4000, "seconds": 2}, False),  # a file
        ({"packets": 400, "seconds": 10, "octets": 20}, False),
        ({"packets": 400, "seconds": 10, "back": 200}, False),  # a conversation
    ],
)
def test_an_unread_flood_is_told_by_rhythm_direction_and_size(shape, is_flood):
    made = scene()
    stream(made, **shape)
    facts = [f for f in facts_of(made.build(), "group-load") if f.protocol == "unread-udp"]

    assert len(facts) == is_flood
    if is_flood:
        assert facts[0].frames_per_second == pytest.approx(40.0)
        assert facts[0].octets_per_second == pytest.approx(24_000.0)
        assert not facts[0].is_group


def test_a_flood_that_was_read_is_none():
    made = scene()
    stream(made, packets=400, seconds=10)
    key = made.flows[-1].key
    made.say(key, "ddp", PARSE["ddp"](Cursor(gadget.ddp(1, bytes(60)))))

    assert "unread-udp" not in {f.protocol for f in facts_of(made.build(), "group-load")}


def test_the_air_that_a_group_takes_is_a_range():
    """Check figures as in ``test_airtime``: 26.1 % at 1 Mbit/s for one universe at 44 packets a second."""
    from auditor.dissect.protocols.e131 import E131Data

    made = scene()
    group = end("01:00:5e:7f:00:01", "239.255.0.1", 5568)
    key = made.flow(end(HUB, port=5568), group, protocol=17, received=0, outcome="unanswered")
    for number in range(441):
        frame = E131Data(
            length=638, sender_identifier=b"s" * 16, source_name="show", priority=100, universe=1,
            sequence=number & 255, is_preview=False, is_terminated=False, slots=512, start_code=0,
        )  # fmt: skip
        made.say(key, "e131", frame, at=2 + number / 44)
    [load] = facts_of(made.build(), "group-load")

    assert load.is_group
    assert load.airtime_most_percent == pytest.approx(26.1, abs=0.3)
    assert 0 < load.airtime_least_percent < 4.3
    assert load.last_seen_ns - load.first_seen_ns == pytest.approx(10 * SECOND, rel=0.01)
