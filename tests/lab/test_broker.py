"""
A broker that lets in some and not others, recorded live.

Oracles: the return codes that mosquitto's own clients print; mosquitto made and read every octet.
"""

import pytest

from auditor.dissect.protocols.mqtt import Connect, ConnectAcknowledgement, Publish, Subscribe
from tests.lab.recorded import HUB, LIGHT, Recorded, at_home
from tests.scenarios.support import findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-broker")]

USER, PASSWORD = "shelf", "lantern-and-ladder"
LOGIN = ("-u", USER, "-P", PASSWORD)
WRONG = ("-u", USER, "-P", "not-the-password")
ATTEMPTS = {
    # name: (port, version, arguments, code as OASIS MQTT 3.1.1 table 3.1 and 5.0 table 3-1 number it)
    "anonymous": (1884, "mqttv311", (), 0),
    "password": (1883, "mqttv311", LOGIN, 0),
    "anonymous refused": (1883, "mqttv311", (), 5),
    "password refused": (1883, "mqttv311", WRONG, 5),
    "v5 anonymous": (1884, "mqttv5", (), 0),
    "v5 password": (1883, "mqttv5", LOGIN, 0),
    "v5 refused": (1883, "mqttv5", WRONG, 135),
}


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-broker")
    with at_home(folder, "mosquitto", "mosquitto_passwd", "mosquitto_pub", "mosquitto_sub") as house:
        recorded = Recorded(folder / "broker.pcap", folder)
        house.record(recorded.capture)
        passwords, configuration = folder / "passwords", folder / "broker.conf"
        house.inside("hub", "mosquitto_passwd", "-b", "-c", passwords, USER, PASSWORD)
        configuration.write_text(
            f"user root\nper_listener_settings true\nlistener 1883 {HUB.ipv4}\nallow_anonymous false\npassword_file {passwords}\n"
            f"listener 1884 {HUB.ipv4}\nallow_anonymous true\n"
        )
        house.start("hub", "mosquitto", "-c", configuration, ready="running")
        for name, (port, version, login, _) in ATTEMPTS.items():
            recorded.deeds[name] = house.act(
                "light", "mosquitto_pub", "-h", HUB.ipv4, "-p", str(port), "-V", version, "-i", f"{LIGHT.name}",
                "-t", "home/shelf/light/set", "-m", '{"state": "ON", "brightness": 9}', "-q", "1",
                "--will-topic", "home/shelf/gone", "--will-payload", "gone", *login,
            )  # fmt: skip
        recorded.deeds["retained"] = house.act(
            "light", "mosquitto_pub", "-h", HUB.ipv4, "-p", "1884", "-r", "-t", "home/shelf/state", "-m", "ON"
        )
        recorded.deeds["subscription"] = house.act(
            "phone",
            "mosquitto_sub",
            "-h",
            HUB.ipv4,
            "-p",
            "1884",
            "-t",
            "home/+/state",
            "-C",
            "1",
            "-W",
            "10",
        )
        return recorded.done()


def test_nothing_was_unreadable(broker):
    assert [(issue.where, issue.problem) for issue in broker.issues] == []


@pytest.mark.parametrize("name", ATTEMPTS)
def test_each_attempt_is_told_as_it_ended(broker, name):
    _, version, login, code = ATTEMPTS[name]
    [connect] = [one.message for one in broker.messages("mqtt", deed=name, source=LIGHT, kind=Connect)]
    [answer] = [
        one.message for one in broker.messages("mqtt", deed=name, source=HUB, kind=ConnectAcknowledgement)
    ]
    published = broker.messages("mqtt", deed=name, source=LIGHT, kind=Publish)

    assert (broker.deeds[name].status == 0) == (code == 0)
    assert answer.code == code
    assert connect.protocol_level == {"mqttv311": 4, "mqttv5": 5}[version]
    assert (connect.user_name is not None, connect.password is not None) == (bool(login), bool(login))
    assert connect.will_topic == "home/shelf/gone"
    assert [one.message.topic for one in published] == (["home/shelf/light/set"] if code == 0 else [])


def test_what_was_asked_for_and_came_is_told(broker):
    [asked] = broker.messages("mqtt", deed="subscription", kind=Subscribe)
    [came] = broker.messages("mqtt", deed="subscription", source=HUB, kind=Publish)

    assert broker.said("subscription") == "ON\n"
    assert asked.message.topics == ("home/+/state",)
    assert (came.message.topic, came.message.retain) == ("home/shelf/state", True)


def test_only_the_open_broker_is_found_open(broker):
    opened = findings(broker.document, "broker-accepts-anonymous", host=HUB)
    services = broker.services(HUB)

    assert len(opened) == 1
    assert any(broker.is_within(opened[0]["evidence"][0], name) for name in ("anonymous", "v5 anonymous"))
    assert {services["tcp", port]["application_protocol"] for port in (1883, 1884)} == {"mqtt"}


def test_the_password_is_found_and_not_told(broker):
    assert findings(broker.document, "password-in-clear-text")
    for value in (PASSWORD, "not-the-password"):
        assert value not in str(broker.document) + repr(broker.messages("mqtt"))
