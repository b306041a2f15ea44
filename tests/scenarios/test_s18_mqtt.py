"""
S18: five ways to talk to a broker.

Why: CONNECT carries user name and password as they are (MQTT 3.1.1, 3.1.3.4 and 3.1.3.5), CONNACK says whether they were
accepted (3.2.2.3), and the port number says nothing about either.
"""

import base64
import json

import pytest

from tests.household.home import HUB, LIGHT, OUTSIDE_BROKER
from tests.household.messages import mqtt_connack, mqtt_connect, mqtt_publish
from tests.household.sessions import transcript
from tests.household.stories import LOGIN
from tests.scenarios.support import command, contacts, findings, on_the_path, outcomes, run

RULE = "password-in-clear-text"


def session(broker, *, port=1883, login=LOGIN, code=0, acknowledged=True):
    def story(recording):
        if broker is OUTSIDE_BROKER:
            recording.dns_lookup(LIGHT, broker.name, [broker.ipv4])
        opened = recording.connect(LIGHT, broker, port)
        opened.send(mqtt_connect("shelf-light", *(login or (None, None))))
        if acknowledged:
            opened.receive(mqtt_connack(code))
        if acknowledged and code == 0:
            opened.send(mqtt_publish("home/shelf/state", b'{"state":"ON"}'))
        opened.close()

    return on_the_path(story)


def encrypted(recording):
    recording.dns_lookup(LIGHT, OUTSIDE_BROKER.name, [OUTSIDE_BROKER.ipv4])
    recording.tls_session(LIGHT, OUTSIDE_BROKER, transcript(OUTSIDE_BROKER.name), port=8883)


@pytest.mark.parametrize(
    ("broker", "port", "severity"),
    [
        (HUB, 1883, "medium"),
        (OUTSIDE_BROKER, 1883, "high"),
        (OUTSIDE_BROKER, 8883, "high"),
        (HUB, 8883, "medium"),
    ],
    ids=["a-inside", "b-outside", "d-outside-on-8883", "d-inside-on-8883"],
)
def test_a_readable_password_is_found_by_octets(tmp_path, broker, port, severity):
    document = run(session(broker, port=port), tmp_path)

    assert {f["severity"] for f in findings(document, RULE)} == {severity}


def test_inside_tls_nothing_is_readable(tmp_path):
    document = run(on_the_path(encrypted), tmp_path)

    assert findings(document, RULE) == []
    [contact] = [c for c in contacts(document, LIGHT) if c["port"] == 8883]
    assert contact["confidentiality"] == "tls"


@pytest.mark.parametrize("broker", [HUB, OUTSIDE_BROKER], ids=["inside", "outside"])
@pytest.mark.parametrize("form", ["json", "text", "text --all", "markdown"])
def test_the_password_is_in_no_output(tmp_path, broker, form):
    path = session(broker).write(tmp_path / "mqtt.pcapng")

    done = command("audit", path, "--device", LIGHT.link, "--format", *form.split(), "--reveal")

    assert done.returncode == 1
    assert "password" in done.stdout.lower()
    for secret in (LOGIN[1], base64.b64encode(LOGIN[1].encode()).decode(), LOGIN[1].encode().hex()):
        assert secret not in done.stdout + done.stderr


def test_anonymous_is_found_where_it_was_accepted(tmp_path):
    document = run(session(HUB, login=None), tmp_path)

    [finding] = findings(document, "broker-accepts-anonymous")
    assert finding["device_id"] in json.dumps(document["devices"])
    assert outcomes(document, RULE, LIGHT) == {"not-found"}


@pytest.mark.parametrize(
    "options", [{"code": 5}, {"code": 4}, {"acknowledged": False}], ids=["refused", "bad", "no-answer"]
)
def test_anonymous_is_not_found_where_it_was_refused_or_not_answered(tmp_path, options):
    document = run(session(HUB, login=None, **options), tmp_path)

    assert findings(document, "broker-accepts-anonymous") == []
