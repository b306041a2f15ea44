"""
Topics, contents and wills of MQTT in a copy: of the same length, readable as before, without the household's words.

Source: MQTT 3.1.1 sections 2.2, 3.1, 3.3, 3.8 and MQTT 5.0 sections 2.2.2 and 3.1.3.2; the packets of 3.1.1 come from the
household's own writer, those of 5.0 are laid out by hand from the standard.
"""

import struct

from hypothesis import given
from hypothesis import strategies as st

from auditor.reduction.mqtt import MAX_PACKETS, begins_mqtt, overwrite_mqtt
from auditor.reduction.overwrite import Overwriter
from tests.household.messages import mqtt_packet, mqtt_publish, mqtt_string, mqtt_subscribe


def overwriter() -> Overwriter:
    return Overwriter(b"key", values=(), replaced={}, spared=(b"shelf-light",))


def connect(level: int, properties: bytes = b"") -> bytes:
    body = mqtt_string("MQTT") + bytes([level, 0x06]) + struct.pack("!H", 60) + properties
    will = properties + mqtt_string("home/ottilie/state") + mqtt_string("ottilie sleeps")
    return mqtt_packet(0x10, body + mqtt_string("lamp") + will)


def test_topics_lose_the_words_of_the_household_and_keep_those_of_the_trade():
    before = mqtt_publish("home/ottilie/shelf-light/set", b"on") + mqtt_subscribe(1, "home/ottilie/state")
    after = overwrite_mqtt(before, overwriter())
    assert len(after) == len(before)
    assert b"ottilie" not in after
    assert b"/shelf-light/set" in after
    assert after.count(b"home/") == 2
    assert b"/state" in after
    topics = [after[4:].split(b"/")[1], after[after.rindex(b"home/") :].split(b"/")[1]]
    assert topics[0] == topics[1]  # equal words stay equal


def test_of_json_the_keys_stay():
    before = mqtt_publish("home/x", b'{"state":"ottilie","bri":12,"name" : "kim"}')
    after = overwrite_mqtt(before, overwriter())
    assert b'{"state":"' in after
    assert b'"bri":12,"name" : "' in after
    assert b"ottilie" not in after
    assert b"kim" not in after


def test_a_will_goes_in_both_versions():
    for packet in (connect(4), connect(5, b"\0"), connect(5, b"\x05\x11\0\0\0\x01")):
        after = overwrite_mqtt(packet, overwriter())
        assert len(after) == len(packet)
        assert b"ottilie" not in after
        assert b"sleeps" not in after
        assert b"lamp" in after
        assert b"/state" in after


def test_more_packets_than_the_bound_lose_their_payload():
    one = mqtt_publish("a", b"b")
    assert overwrite_mqtt(one * (MAX_PACKETS - 1), overwriter())
    assert overwrite_mqtt(one * MAX_PACKETS + one, overwriter()) == b""


@given(st.binary(max_size=200))
def test_any_octets_keep_their_length(octets):
    if begins_mqtt(octets):
        assert len(overwrite_mqtt(octets, overwriter())) in {0, len(octets)}
