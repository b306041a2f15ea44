"""
S32-S37: what a change stopped, what still works, and what nobody tried.

Why: an attempt is a SYN (RFC 9293 3.5); no answer, ICMP prohibited (RFC 1812 5.2.7.1) or a reset is a stop; a conversation
that was not attempted proves nothing; IPv4 and IPv6 have rules of their own (RFC 7084); an answer passed on by a router
says nothing about who can be reached (RFC 6762 section 11).
"""

import json

import jsonschema
import pytest

from auditor.pipeline import compare
from tests.builders import Recording
from tests.household.__main__ import CAPTURES
from tests.household.home import (
    FILE_SERVER,
    HUB,
    LAPTOP,
    LIGHT,
    LIGHTS,
    MOVED_LIGHT,
    NEXT_EVENING_NS,
    OUTSIDE_RESOLVER,
    PHONE,
    ROUTER,
    START_NS,
)
from tests.household.messages import http_request, http_response
from tests.household.stories import app_control, hub_poll, join
from tests.scenarios.support import FRIGHT, cloud_session, command, on_the_path

ROOT = CAPTURES.parent
BEFORE, AFTER = CAPTURES / "good-vantage.pcapng", CAPTURES / "after-isolation.pcapng"
SPOILT, HOME = CAPTURES / "after-isolation-ipv6-open.pcapng", CAPTURES / "good-vantage.home.yaml"
WISH = f"""\
devices:
  - {{link_address: "{LIGHT.link}", role: lighting, nickname: shelf light}}
  - {{link_address: "{HUB.link}", role: hub, nickname: hub}}
keep:
  - {{wish: light-follows-hub, from: shelf light, to: hub}}
"""


def flat(story):
    """Before the change: everybody in one segment."""
    return on_the_path(story)


def moved(story, *, talks=True, seconds=300, start_ns=NEXT_EVENING_NS):
    """After it, recorded in the segment of the lights."""
    recording = Recording(segment=LIGHTS, start_ns=start_ns)
    join(recording, MOVED_LIGHT)
    recording.at(5)
    if talks:
        cloud_session(recording, MOVED_LIGHT)
    recording.at(10)
    story(recording)
    recording.at(seconds)
    recording.arp(MOVED_LIGHT, LIGHTS.router)
    return recording


def share(recording, light=LIGHT, family="ipv4"):
    """A conversation with the file server."""
    opened = recording.connect(light, FILE_SERVER, 445, family=family)
    opened.send(b"\x00\x00\x00\x04list")
    opened.receive(b"\x00\x00\x00\x04here")
    opened.close()


def judged(tmp_path, before, after, home=None, reveal=True):
    """The document of two stories."""
    paths = [
        one.write(tmp_path / f"{name}.pcapng") if isinstance(one, Recording) else one
        for name, one in (("before", before), ("after", after))
    ]
    home_path = None
    if home is not None:
        home_path = tmp_path / "home.yaml"
        home_path.write_text(home, "utf-8")
    report = compare(*paths, devices=[LIGHT.link], home=home_path, reveal=reveal)
    return json.loads(report.to_json()), report


def states(document, **fields):
    return {
        (row["port"], row["family"]): row["state"]
        for row in document["comparison"]["conversations"]
        if row["place"] != "group" and all(row[name] == value for name, value in fields.items())
    }


def found(document):
    return {one["rule_id"] for one in document["findings"]} & {"isolation-holds", "isolation-broken"}


def answers(document, rule_id):
    return {one["outcome"] for one in document["assessments"] if one["rule_id"] == rule_id}


def test_s32_the_shipped_pair_tells_what_is_proven_what_works_and_what_nobody_tried(tmp_path):
    document, report = judged(tmp_path, BEFORE, AFTER, HOME.read_text("utf-8"))

    told = {
        (row["port"], row["begun_by"], row["place"]): (row["state"], row["proven"])
        for row in document["comparison"]["conversations"]
    }
    assert told[443, "device", "outside"] == told[445, "device", "home"] == ("stopped", True)
    assert told[8080, "device", "home"] == told[1883, "device", "home"] == ("works", False)
    assert {row["state"] for row in document["comparison"]["conversations"] if row["port"] == 80} == {
        "works",  # the phone
        "not-tried",  # the hub
    }
    assert found(document) == {"isolation-holds"}
    assert {one["wish"].partition(" ")[0]: one["state"] for one in document["comparison"]["wishes"]} == {
        "phone-control": "kept",
        "hub-controls-light": "not-tried",
        "light-follows-hub": "kept",
        "time": "kept",
    }
    text = " ".join(report.to_text().split())
    assert "over IPv6 nothing was tried" in text
    assert "Proven cut: 2; still works: 5; new: 0; not tried: 1;" in text
    assert "Wishes: 3 kept, 0 lost, 1 not tried" in text
    schema = json.loads((ROOT / "auditor/report/schema/report-1.schema.json").read_text("utf-8"))
    jsonschema.validate(document, schema)


def test_s32_what_nobody_tried_is_not_proven(tmp_path):
    def story(recording):
        share(recording)
        recording.wait(1)
        recording.http_exchange(
            LIGHT, HUB, http_request("GET", "/", HUB.ipv4), http_response(200, {}), port=8080
        )
        cloud_session(recording)

    document, _ = judged(
        tmp_path,
        flat(story),
        moved(lambda r: (r.attempt(MOVED_LIGHT, FILE_SERVER, 445), cloud_session(r, MOVED_LIGHT))),
    )

    assert states(document)[445, "ipv4"] == "stopped"
    assert states(document)[8080, "ipv4"] == "not-tried"


@pytest.mark.parametrize("talks", [True, False], ids=["cloud alone", "silent"])
def test_s32_an_idle_second_recording_is_no_pass(tmp_path, talks):
    before, after = tmp_path / "before.pcapng", tmp_path / "after.pcapng"
    flat(share).write(before)
    moved(lambda r: None, talks=talks, seconds=180).write(after)

    done = command(
        "compare", before, after, "--device", LIGHT.link, "--format", "json", "--alarm-from", "never"
    )

    document = json.loads(done.stdout)
    assert done.returncode == 3, done.stderr
    assert states(document)[445, "ipv4"] == ("not-tried" if talks else "not-visible")
    assert not found(document)
    assert "found" not in answers(document, "isolation-holds")
    assert "undetermined" in answers(document, "isolation-broken")


def test_s33_ipv6_goes_round_the_wall(tmp_path):
    done = command("compare", BEFORE, SPOILT, "--home", HOME, "--alarm-from", "critical")
    document, _ = judged(tmp_path, BEFORE, SPOILT, HOME.read_text("utf-8"))

    assert done.returncode == 1
    first_line = " ".join(done.stdout.split("\n\n")[1].split())
    assert first_line.startswith("ISOLATION BROKEN")
    assert "does not hold for IPv6 (tcp port 445" in first_line
    assert "what was tried over IPv4 was stopped" in first_line
    text = " ".join(done.stdout.split())
    through = text.index("Still reaches the home, and no wish asks for it (1)")
    assert through < text.index("tcp port 445, IPv6") < text.index("Tried and stopped (2)")
    assert text.count("port 445, IPv6") == 1
    assert found(document) == {"isolation-holds", "isolation-broken"}
    [broken] = [one for one in document["findings"] if one["rule_id"] == "isolation-broken"]
    assert broken["severity"] == "high"
    assert "drop what the lights begin towards the home, over ipv6" in broken["summary"]


@pytest.mark.parametrize(
    ("answer", "words"),
    [("none", "not visible"), ("prohibited", "router said"), ("reset", "in the name of")],
)
def test_s34_who_stopped_it_where_that_is_visible(tmp_path, answer, words):
    document, _ = judged(
        tmp_path,
        flat(share),
        moved(lambda r: r.attempt(MOVED_LIGHT, FILE_SERVER, 445, answer=answer, by=LIGHTS.router)),
    )

    [row] = [one for one in document["comparison"]["conversations"] if one["port"] == 445]
    assert (row["state"], row["proven"]) == ("stopped", True)
    assert words in row["stopped_by"]


def test_s35_new_contacts_are_fallbacks_not_deterioration(tmp_path):
    def after(recording):
        recording.attempt(MOVED_LIGHT, FILE_SERVER, 445)
        recording.dns_lookup(
            MOVED_LIGHT, "cloud.shelf-light.example", ["198.51.100.80"], resolver=OUTSIDE_RESOLVER
        )

    document, report = judged(tmp_path, flat(share), moved(after))

    assert states(document, place="outside")[53, "ipv4"] == "new"
    assert "fallbacks that the block uncovered" in report.to_markdown()
    assert not any(word in report.to_text().lower() for word in FRIGHT)
    assert "isolation-broken" not in found(document)


def test_s36_a_wish_that_the_rule_broke_is_lost_with_its_one_exception(tmp_path):
    def after(recording):
        for turn in range(20):
            recording.at(20 + turn)
            recording.attempt(MOVED_LIGHT, HUB, 8080, tries=1)

    document, report = judged(
        tmp_path, flat(lambda r: hub_poll(r, LIGHT, token=False, count=20, start=20)), moved(after), WISH
    )

    [wish] = document["comparison"]["wishes"]
    assert wish["state"] == "lost"
    assert "accept shelf light to hub, tcp port 8080, IPv4" in wish["because"]
    assert "load that goes on" in wish["because"]
    assert "WISH LOST" in report.to_text()
    assert "allow all" not in report.to_text().lower()


def test_s36_light_to_light_is_lost_where_it_was_driven_and_nothing_came(tmp_path):
    def story(light, *, passes_on):
        def told(recording):
            recording.at(60)
            app_control(recording, PHONE, light)
            if passes_on:
                recording.group_datagram(light, "239.1.2.3", (21324, 21324), b"\x01\x02\x03\x04")

        return told

    home = WISH.replace("{wish: light-follows-hub, from: shelf light, to: hub}", "light-to-light")
    before = flat(story(LIGHT, passes_on=True))
    lost, _ = judged(tmp_path, before, moved(story(MOVED_LIGHT, passes_on=False)), home)
    untried, _ = judged(tmp_path, before, moved(cloud_session_moved), home)

    assert [one["state"] for one in lost["comparison"]["wishes"]] == ["lost"]
    assert [one["state"] for one in untried["comparison"]["wishes"]] == ["not-tried"]


def cloud_session_moved(recording):
    cloud_session(recording, MOVED_LIGHT)


def test_s37_the_same_range_is_not_separated(tmp_path):
    after = flat(cloud_session)
    after_path = after.write(tmp_path / "same.pcapng")

    document, report = judged(tmp_path, flat(share), after_path)

    assert any(note.startswith("Not separated") for note in document["comparison"]["notes"])
    assert "isolation-holds" not in found(document)
    assert "isolated" not in report.to_text().lower()


def test_s37_a_relayed_announcement_says_nothing_about_reach(tmp_path):
    document, report = judged(tmp_path, BEFORE, CAPTURES / "heard-of.pcapng", HOME.read_text("utf-8"))

    assert report.not_judged is not None
    assert not found(document)
    assert "says nothing about" in json.dumps(document)
    assert "leak" not in report.to_text().lower()


def relay(recording):
    """Recorded in the main network: the router passes the light's announcement on, and the app drives the light behind it."""
    recording.at(20)
    recording.mdns_announce(MOVED_LIGHT, relayed=True, addresses=[MOVED_LIGHT.ipv4])
    recording.at(60)
    app_control(recording, PHONE, MOVED_LIGHT)
    recording.attempt(MOVED_LIGHT, FILE_SERVER, 445)


def test_s37_a_pair_tells_a_relayed_announcement_and_judges_the_wall_by_attempts_alone(tmp_path):
    before = flat(lambda r: (share(r), app_control(r, PHONE, LIGHT)))
    after = on_the_path(relay, light=LAPTOP, start_ns=NEXT_EVENING_NS)
    document, report = judged(tmp_path, before, after)

    text = " ".join(report.to_text().split())
    assert report.not_judged is None
    assert answers(document, "announcement-relayed") >= {"found"}
    assert states(document)[445, "ipv4"] == "stopped"
    assert "INFO announcement-relayed" in text
    assert "It says nothing about whether the device can be reached from there" in text
    assert "isolation-broken" not in found(document)
    assert "leak" not in text.lower()


def test_s37_an_announcement_of_its_own_is_not_relayed(tmp_path):
    """Must not: the same pair, but the light itself announces in its own segment."""
    before = flat(share)
    after = moved(
        lambda r: (r.mdns_announce(MOVED_LIGHT), r.attempt(MOVED_LIGHT, FILE_SERVER, 445)),
    )
    document, report = judged(tmp_path, before, after)

    assert answers(document, "announcement-relayed") <= {"not-found", "not-applicable"}
    assert "announcement-relayed" not in report.to_text()


def test_wrong_order_and_another_home_are_refused(tmp_path):
    early, late = flat(share), moved(lambda r: r.attempt(MOVED_LIGHT, FILE_SERVER, 445))

    document, swapped = judged(tmp_path, late, early)
    assert "wrong order: the second recording began before the first, 1 day earlier" in swapped.not_judged
    assert document["comparison"]["conversations"] == []
    assert not found(document)
    done = command(
        "compare",
        BEFORE,
        CAPTURES / "everything-speaks.pcapng",
        "--device",
        LIGHT.link,
        "--alarm-from",
        "never",
    )
    assert done.returncode == 3
    assert "another home" in done.stderr


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (AFTER, BEFORE, "wrong order"),
        (SPOILT, BEFORE, "wrong order"),  # whatever the earlier one shows, the wall is not judged by it
        (BEFORE, BEFORE, "one file is in both"),
    ],
)
def test_files_that_are_no_pair_give_3_whatever_else_is_found(first, second, words):
    done = command("compare", first, second, "--home", HOME)

    assert done.returncode == 3
    assert words in done.stderr
    assert done.stdout.split("\n\n")[1].startswith("WE CANNOT TELL")
    assert "kept" not in done.stdout


def test_overlapping_times_are_remarked(tmp_path):
    """The change cannot lie between two recordings of the same minutes."""
    document, _ = judged(
        tmp_path,
        flat(share),
        moved(lambda r: r.attempt(MOVED_LIGHT, FILE_SERVER, 445), start_ns=START_NS + 60_000_000_000),
    )

    assert any("before the first ended" in note for note in document["comparison"]["notes"])


def test_a_first_recording_from_the_wrong_place_is_refused():
    done = command("compare", CAPTURES / "laptop-on-wifi.pcapng", AFTER, "--alarm-from", "never")

    assert done.returncode == 3
    assert "first recording" in done.stderr


def test_nobody_else_is_named_and_the_output_is_the_same_twice():
    arguments = ("compare", BEFORE, AFTER, "--format", "json", "--device", LIGHT.link)
    first, second = command(*arguments), command(*arguments)

    assert first.stdout == second.stdout
    for private in (PHONE.link, HUB.ipv4, FILE_SERVER.ipv4, "phone-of-a-guest", ROUTER.link):
        assert private not in first.stdout


def test_exit_status_of_a_pair_that_holds():
    assert command("compare", BEFORE, AFTER, "--home", HOME, "--alarm-from", "high").returncode == 0
    assert command("compare", BEFORE, AFTER, "--home", HOME).returncode == 1  # medium findings of the second


def test_an_audit_asks_nothing_about_two_recordings():
    document = json.loads(command("audit", AFTER, "--format", "json").stdout)

    assert "comparison" not in document
    assert not {"isolation-holds", "isolation-broken"} & {one["rule_id"] for one in document["assessments"]}
