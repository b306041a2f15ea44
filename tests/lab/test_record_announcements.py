"""
Announcements recorded without special rights, from announcers of other implementations.

Oracles: zeroconf and ssdp announce in rooms of their own and say what they announced; tcpdump records the bridge beside.
"""

import json
import re

import pytest

import auditor
from auditor.capture.announcements import parse_line
from tests.household.home import HUB, LIGHT, PHONE
from tests.lab.house import ROOT, settle
from tests.lab.recorded import at_home
from tests.lab.recorders import RECORD, classic_frames

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-record-announcements")]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("announcements")
    with at_home(folder) as house:
        other = folder / "other.pcap"
        house.record(other)
        house.start_role("light", "recording.standing_mdns_light", LIGHT.ipv4, LIGHT.name)
        house.start_role("hub", "recording.ssdp_device", HUB.ipv4)
        # No right of the superuser is left: neither packet sockets nor anything else (capabilities(7)).
        done = house.inside(
            "phone", "setpriv", "--bounding-set=-all", "--inh-caps=-all", "--ambient-caps=-all",
            "env", f"PYTHONPATH={ROOT}", *RECORD, "eth0", "--folder", folder / "ours", "--announcements",
            "--minutes", "0.1",
        )  # fmt: skip
        settle(other)
    assert done.returncode == 0, done.stderr
    [log] = (folder / "ours").glob("*.jsonl")
    return log, other, done


def test_every_datagram_to_the_groups_is_there_and_as_it_was_sent(recorded):
    log, other, _ = recorded
    lines = [parse_line(line) for line in log.read_bytes().splitlines()[1:]]
    light = bytes(map(int, LIGHT.ipv4.split(".")))
    ours = [one.payload for one in lines if one.source[12:] == light and one.source_port == 5353]
    sent = [
        octets[42:]
        for octets in classic_frames(other)
        if octets[26:30] == light and octets[36:38] == b"\x14\xe9"
    ]

    assert len(ours) >= 2  # an answer to the question for all types, and one to that for its own
    first = sent.index(ours[0])  # before it the recorder was not there yet
    assert sent[first : first + len(ours)] == ours


def test_who_was_searched_for_answers_into_the_log(recorded):
    lines = [parse_line(line) for line in recorded[0].read_bytes().splitlines()[1:]]

    assert any(b"LOCATION: http://192.168.77.30/description.xml" in one.payload for one in lines)
    assert not any(one.source[12:] == bytes(map(int, PHONE.ipv4.split("."))) for one in lines)
    assert json.loads(recorded[0].read_bytes().splitlines()[0]) == {"announcements": 1, "interface": "eth0"}
    assert re.search(r"\d+ announcements of 2 senders", recorded[2].stderr)


def test_the_log_is_audited_like_a_capture_and_proves_no_absence(recorded):
    document = auditor.audit(recorded[0], devices=[LIGHT.ipv4], reveal=True).document

    assert document["coverage"]["vantage"] == "announcements-only"
    assert document["captures"][0]["format"] == "announcements"
    assert document["captures"][0]["issues"] == []
    [light] = [one for one in document["devices"] if LIGHT.ipv4 in one["addresses"]]
    services = [one for one in document["services"] if one["device_id"] == light["device_id"]]
    assert [(one["transport"], one["port"], one["state"]) for one in services] == [("tcp", 80, "announced")]
    outcomes = {
        one["rule_id"]: one["outcome"]
        for one in document["assessments"]
        if one["device_id"] == light["device_id"]
    }
    assert outcomes["version-disclosed"] == "found"
    assert outcomes["light-control-without-login"] == "undetermined"
