"""
S39: the recording holds everybody's evening.

Why: a recording names people by their devices, pages and addresses; an interface identifier holds the link address (RFC 4291
appendix A), and names stand in leases, announcements and comments too.
"""

import json
import re

import pytest

from tests.builders import Recording
from tests.household.home import CLOUD, LIGHT, PHONE, Host
from tests.household.messages import http_request, http_response
from tests.household.sessions import stored
from tests.household.stories import app_control
from tests.scenarios.support import cloud_session, command, on_the_path, run

CLINIC = Host("clinic-for-worries.example", ipv4="203.0.113.66", hops_away=9)
TABLET = Host("tablet-of-robin", "00:00:5e:00:53:77", "192.168.77.177", "fd00:77::200:5eff:fe00:5377")
COOKIE = "family-session-0a1b2c3d4e5f60718293"
PRIVATE = [
    CLINIC.name,
    CLINIC.ipv4,
    "robin",
    TABLET.link,
    TABLET.link.replace(":", ""),
    TABLET.link.replace(":", "-"),
    TABLET.ipv4,
    TABLET.ipv6,
    "5eff:fe00:5377",
    "kim",
    PHONE.link,
    PHONE.ipv4,
    COOKIE,
    "birthday-of-kim",
    "ward-seven",
    "news.example",
]


def evening() -> Recording:
    def story(recording):
        recording.dhcp_lease(TABLET)
        recording.dhcp_lease(PHONE, hostname="kims-phone")
        recording.mdns_announce(TABLET, "_http._tcp", 8009, ("owner=robin",))
        recording.note("birthday-of-kim: music from the tablet")
        recording.dns_lookup(TABLET, CLINIC.name, [CLINIC.ipv4])
        recording.tls_session(TABLET, CLINIC, stored(CLINIC.name, "1.3"))
        request = http_request("GET", "/ward-seven?patient=robin", CLINIC.name, None, Cookie=f"id={COOKIE}")
        recording.http_exchange(TABLET, CLINIC, request, http_response(200, {}))
        app_control(recording, PHONE, LIGHT)
        cloud_session(recording)

    return on_the_path(story)


@pytest.mark.parametrize("form", ["json", "text", "text --all", "markdown"])
def test_nothing_private_is_in_any_output(tmp_path, form):
    path = evening().write(tmp_path / "evening-with-robin.pcapng", comment="recorded by kim")

    done = command("audit", path, "--device", LIGHT.link, "--format", *form.split())

    told = (done.stdout + done.stderr).lower().replace("evening-with-robin", "")
    assert [text for text in PRIVATE if text.lower() in told] == []
    if form == "text":  # a screen of findings; whom it contacts stands in the complete report
        assert "--all" in told
    else:
        assert CLOUD.name in told


def test_the_library_redacts_as_well(tmp_path):
    document = run(evening(), tmp_path, reveal=False, comment="recorded by kim")

    told = json.dumps(document).lower()
    assert document["redaction"]["applied"] is True
    assert document["redaction"]["revealed"] is False
    assert [text for text in PRIVATE if text.lower() in told] == []


def test_the_phone_keeps_one_pseudonym(tmp_path):
    document = run(evening(), tmp_path, reveal=False)

    [sender] = {c["from_id"] for c in document["controls"] if c["effect"] == "light"}
    assert sender in {d["device_id"] for d in document["devices"]}
    assert re.fullmatch(r"[a-z]+-[0-9a-z]+", sender)


def test_the_same_file_gives_the_same_octets(tmp_path):
    path = evening().write(tmp_path / "evening.pcapng")

    first, second = (command("audit", path, "--format", "json").stdout for _ in range(2))
    assert json.loads(first)["findings"]
    assert first == second


def test_reveal_says_so(tmp_path):
    path = evening().write(tmp_path / "evening.pcapng")

    document = json.loads(command("audit", path, "--format", "json", "--reveal").stdout)
    assert document["redaction"]["revealed"] is True
    assert PHONE.link in json.dumps(document)
    assert COOKIE not in json.dumps(document)
