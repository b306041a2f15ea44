"""
S26 and S27: show data to groups over Wi-Fi, and a place from which groups are withheld.

Why: ANSI E1.31-2018 section 9.3.1 sends each universe to a group; bridges that snoop forward a group to its members only (RFC 4541
2.1.2).  Oracle for the packets: the sacn library builds them.
"""

import pytest
from sacn.messages.data_packet import DataPacket

from tests.builders import Recording
from tests.household.home import HUB, LAPTOP, LIGHT, PHONE, SHOW_COMPUTER
from tests.household.stories import join
from tests.scenarios.support import assert_calm, controls, device_id, findings, on_the_path, outcomes, run

UNIVERSES, RATE, SECONDS = range(1, 5), 44, 10
PORT = 5568  # IANA: sdt, used by E1.31


def frame(universe, sequence):
    sender = tuple(range(16))
    packet = DataPacket(cid=sender, sourceName="show computer", universe=universe, sequence=sequence % 256)
    packet.dmxData = (sequence % 256,) * 512
    return bytes(packet.getBytes())


def show(recording, receiver=None):
    for turn in range(RATE * SECONDS):
        recording.at(30 + turn / RATE)
        for universe in UNIVERSES:
            if receiver is None:
                group = f"239.255.0.{universe}"
                recording.group_datagram(
                    SHOW_COMPUTER, group, (PORT, PORT), frame(universe, turn), hop_limit=20
                )
            else:
                recording.datagram(SHOW_COMPUTER, receiver, (PORT, PORT), frame(universe, turn))


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(show, seconds=60), tmp_path_factory.mktemp("s26"))


def test_the_load_is_told_with_its_rate(document):
    [load] = findings(document, "multicast-lighting-load", host=SHOW_COMPUTER)

    assert "4 universes" in load["summary"]
    rate = float(load["summary"].partition(" frames")[0].split()[-1])
    assert rate == pytest.approx(RATE * len(UNIVERSES), rel=0.02)
    assert "unicast" in str(load["remediation"]) or "own address" in str(load["remediation"])
    assert load["severity"] in {"info", "low"}


def test_no_login_by_design_is_said_of_the_sender_and_no_alarm(document):
    [finding] = findings(document, "control-protocol-without-login")

    assert finding["device_id"] == device_id(document, SHOW_COMPUTER)
    assert finding["severity"] == "low"
    assert "no login by design" in finding["summary"]
    assert_calm(document)


def test_a_receiver_that_joined_the_group_is_named(tmp_path):
    def story(recording):
        recording.igmp_join(LIGHT, "239.255.0.1")
        show(recording)

    document = run(on_the_path(story, seconds=60), tmp_path)

    owners = {f["device_id"] for f in findings(document, "control-protocol-without-login")}
    assert device_id(document, LIGHT) in owners
    assert any(c["from_id"] == device_id(document, SHOW_COMPUTER) for c in controls(document, LIGHT))


def test_unicast_is_the_receivers(tmp_path):
    document = run(on_the_path(lambda recording: show(recording, LIGHT), seconds=60), tmp_path)

    [finding] = findings(document, "control-protocol-without-login")
    assert finding["device_id"] == device_id(document, LIGHT)
    assert findings(document, "multicast-lighting-load") == []


def test_groups_that_are_withheld_are_not_called_absent(tmp_path):
    """S27: a laptop on a snooping switch; the show runs and none of it reaches the port."""
    recording = Recording(vantage="own-host", recorder=LAPTOP)
    join(recording, LIGHT)
    recording.at(30)
    recording.http_exchange(
        LAPTOP, HUB, b"GET / HTTP/1.1\r\nHost: hub\r\n\r\n", b"HTTP/1.1 204 No Content\r\n\r\n"
    )
    recording.mdns_browse(PHONE)
    recording.at(120)
    recording.arp(LAPTOP, recording.segment.router)

    document = run(recording, tmp_path)

    assert "multicast-visible" not in document["coverage"]["abilities"]
    assert outcomes(document, "multicast-lighting-load", LIGHT) == {"undetermined"}
    assert outcomes(document, "control-protocol-without-login", LIGHT) == {"undetermined"}
    reasons = " ".join(entry["reason"] for entry in document["coverage"]["could_not_see"])
    assert "groups that the recording host did not join may have been withheld" in reasons
