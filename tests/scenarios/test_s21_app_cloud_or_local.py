"""
S21: does the app reach the light at home or through the cloud?

Why: only the order of events tells: phone to the outside and, within a second, from the outside to the light on its standing
connection, again and again (timing evidence; common practice).
"""

import random

from tests.household.home import CLOUD, LIGHT, PHONE, Host
from tests.household.sessions import stored
from tests.household.stories import app_control, sealed
from tests.scenarios.support import controls, device_id, findings, on_the_path, outcomes, run

APP_SERVER = Host("app.shelf-light.example", ipv4="198.51.100.81", hops_away=11)
HOME = """\
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting}
  - {link_address: "8a:4c:1d:20:71:05", role: phone}
actions:
  - {at: "2026-03-14T19:01:00Z", what: app}
  - {at: "2026-03-14T19:01:30Z", what: app}
  - {at: "2026-03-14T19:02:00Z", what: app}
  - {at: "2026-03-14T19:02:30Z", what: app}
"""


def through_cloud(*, phone_recorded: bool, moments=(60, 90, 120, 150), unheard=()):
    def story(recording):
        recording.dns_lookup(LIGHT, CLOUD.name, [CLOUD.ipv4])
        cloud = recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), stays_open=True)
        for moment in sorted((*moments, *unheard)):
            recording.at(moment)
            if phone_recorded:
                recording.dns_lookup(PHONE, APP_SERVER.name, [APP_SERVER.ipv4])
                recording.tls_session(PHONE, APP_SERVER, stored(APP_SERVER.name, "1.3"))
            recording.wait(0.2)
            if moment in unheard:
                continue
            cloud.receive(sealed(recording, 90))
            cloud.send(sealed(recording, 60))

    return on_the_path(story)


def test_local_control_is_local(tmp_path):
    document = run(on_the_path(lambda recording: app_control(recording, PHONE, LIGHT)), tmp_path, home=HOME)

    [row] = controls(document, LIGHT, effect="light")
    assert row["from_id"] == device_id(document, PHONE)
    assert row["count"] == 2
    assert findings(document, "controlled-through-cloud") == []


def test_timing_tells_the_way_through_the_cloud(tmp_path):
    document = run(through_cloud(phone_recorded=True), tmp_path, home=HOME)

    [finding] = findings(document, "controlled-through-cloud")
    assert finding["confidence"] == "inferred"
    assert "4 of 4 calls of a phone to the internet were followed by it within 1 s" in finding["summary"]
    assert "remote-control" in document["coverage"]["phases"]
    assert len(finding["evidence"]) == 5  # the opening of the connection and the four orders
    assert controls(document, LIGHT, effect="light") == []


def test_without_the_phone_the_sender_was_not_recorded(tmp_path):
    document = run(through_cloud(phone_recorded=False), tmp_path, home=HOME)

    [finding] = findings(document, "controlled-through-cloud")
    assert finding["confidence"] == "inferred"
    assert "4 of 4 noted actions (app)" in finding["summary"]
    assert "the sender was not recorded" in finding["summary"]


def test_without_phone_and_notes_nothing_is_told(tmp_path):
    document = run(through_cloud(phone_recorded=False), tmp_path)

    assert outcomes(document, "controlled-through-cloud", LIGHT) == {"undetermined"}
    assert "remote-control" not in document["coverage"]["phases"]


def test_two_presses_may_be_chance(tmp_path):
    document = run(through_cloud(phone_recorded=True, moments=(60, 90)), tmp_path)

    assert outcomes(document, "controlled-through-cloud", LIGHT) == {"undetermined"}


def test_a_call_that_nothing_follows_is_no_press(tmp_path):
    document = run(through_cloud(phone_recorded=True, unheard=(200, 230)), tmp_path, home=HOME)

    [finding] = findings(document, "controlled-through-cloud")
    assert "4 of 4 times it followed within 1 s on a call of a phone" in finding["summary"]


def test_a_chatty_cloud_beside_a_busy_phone_is_chance(tmp_path):
    """Both speak every few seconds: every press would be followed by something."""

    def story(recording):
        cloud = recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), stays_open=True)
        spoken = random.Random(21)
        moments = sorted(
            [(spoken.uniform(20, 280), "cloud") for _ in range(90)]
            + [(m, "phone") for m in range(30, 280, 9)]
        )
        for moment, who in moments:
            recording.at(moment)
            if who == "phone":
                recording.dns_lookup(PHONE, APP_SERVER.name, [APP_SERVER.ipv4])
                recording.tls_session(PHONE, APP_SERVER, stored(APP_SERVER.name, "1.3"))
            else:
                cloud.receive(sealed(recording, 40))

    document = run(on_the_path(story), tmp_path, home=HOME)

    assert findings(document, "controlled-through-cloud") == []


def test_an_answer_to_the_light_is_no_order(tmp_path):
    """The light reports what the app did at home; what comes back is an answer."""

    def story(recording):
        cloud = recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), stays_open=True)
        for moment in (60, 90, 120, 150):
            recording.at(moment)
            app_control(recording, PHONE, LIGHT)
            cloud.send(sealed(recording, 60))
            cloud.receive(sealed(recording, 40))

    document = run(on_the_path(story), tmp_path, home=HOME)

    assert findings(document, "controlled-through-cloud") == []
    assert controls(document, LIGHT, effect="light")


def test_a_standing_connection_alone_proves_no_control(tmp_path):
    def story(recording):
        cloud = recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), stays_open=True)
        for moment in range(30, 290, 30):
            recording.at(moment)
            cloud.send(sealed(recording, 30))
            cloud.receive(sealed(recording, 30))
            recording.wait(11)
            cloud.receive(sealed(recording, 30))  # a heartbeat of the other end

    document = run(on_the_path(story), tmp_path)

    assert findings(document, "controlled-through-cloud") == []
    assert outcomes(document, "remote-standing-connection", LIGHT) == {"found"}
