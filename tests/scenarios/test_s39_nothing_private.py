"""
S39: two hundred private strings stand in a recording, and in no output, log, error or copy of any command.

Oracle: the strings themselves, searched for in the octets that each command leaves behind.
"""

from __future__ import annotations

import base64

import pytest

from tests.builders import Recording
from tests.household.home import HUB, LIGHT, PHONE, ROUTER, Host
from tests.household.messages import http_request, http_response
from tests.household.stories import app_control
from tests.scenarios.support import cloud_session, command, on_the_path

EACH = 20
KINDS = ("query", "cookie", "path", "header", "lease", "service", "text", "comment", "secret", "agent")
PLANTED = [f"{kind}{number:02d}zq{'kxvwj'[number % 5]}robin" for kind in KINDS for number in range(EACH)]
TABLET = Host("tablet", "02:00:5e:77:66:55", "192.168.77.177", "fd00:77::5eff:fe77:6655")


def planted(kind: str) -> list[str]:
    return [text for text in PLANTED if text.startswith(kind)]


def recording() -> Recording:
    def story(made: Recording) -> None:
        for name in planted("lease"):
            made.dhcp_lease(TABLET, hostname=name)
        for name, text in zip(planted("service"), planted("text"), strict=True):
            made.mdns_announce(Host(name, TABLET.link, TABLET.ipv4), "_http._tcp", 8009, (f"owner={text}",))
        for name, comment in zip(planted("query"), planted("comment"), strict=True):
            outside = Host(f"{name}.example", ipv4="203.0.113.66", hops_away=9)
            made.note(f"{comment}: music from the tablet")
            made.dns_lookup(TABLET, outside.name, [outside.ipv4])
        for agent in planted("agent"):
            asked = http_request("GET", "/json/info", LIGHT.ipv4, None, **{"User-Agent": agent})
            made.http_exchange(PHONE, LIGHT, asked, http_response(200, {}))
        for cookie, path, header in zip(planted("cookie"), planted("path"), planted("header"), strict=True):
            request = http_request(
                "GET", f"/{path}?who={path}", "news.example", None, Cookie=f"id={cookie}", Referer=header
            )
            made.http_exchange(TABLET, HUB, request, http_response(200, {}), port=8080)
            mine = http_request(
                "GET", "/json/state", LIGHT.ipv4, None, Cookie=f"id={cookie}", Referer=f"http://{header}/"
            )
            made.http_exchange(PHONE, LIGHT, mine, http_response(200, {"on": True}))
        for secret in planted("secret"):
            login = base64.b64encode(f"{secret}u:{secret}".encode()).decode()
            request = http_request(
                "POST", "/json/state", LIGHT.ipv4, {"password": secret}, Authorization=f"Basic {login}"
            )
            made.http_exchange(PHONE, LIGHT, request, http_response(200, {}))
        app_control(made, PHONE, LIGHT)
        cloud_session(made)

    return on_the_path(story)


def found_in(octets: bytes) -> list[str]:
    folded = octets.lower()
    return [
        text for text in PLANTED if text.encode() in folded or base64.b64encode(text.encode())[:-4] in octets
    ]


def test_the_strings_are_in_the_recording(tmp_path):
    assert len(PLANTED) == 200
    octets = recording().write(tmp_path / "r.pcapng").read_bytes()
    missing = set(PLANTED) - set(found_in(octets))
    assert not missing


@pytest.mark.parametrize("form", ["text", "json", "markdown"])
@pytest.mark.parametrize("name", ["audit", "check", "plan", "compare"])
def test_no_output_holds_one(tmp_path, name, form):
    path = recording().write(tmp_path / "r.pcapng", comment=planted("comment")[0])
    captures = [path, path] if name == "compare" else [path]
    done = command(name, *captures, "--device", LIGHT.link, "--format", form, "--strict")
    assert done.stdout
    assert found_in((done.stdout + done.stderr).encode()) == []


def test_the_copy_holds_none(tmp_path):
    path = recording().write(tmp_path / "r.pcapng", comment=planted("comment")[0])
    done = command("reduce", path, "--device", LIGHT.link, "--output", tmp_path / "copy.pcapng", "--strict")
    octets = (tmp_path / "copy.pcapng").read_bytes()
    assert found_in(octets) == []
    assert found_in((done.stdout + done.stderr).encode()) == []
    for host in (PHONE, TABLET, ROUTER):
        assert bytes.fromhex(host.link.replace(":", "")) not in octets
        assert bytes(map(int, host.ipv4.split("."))) not in octets


def test_an_error_holds_none(tmp_path):
    path = recording().write(tmp_path / "r.pcapng")
    path.write_bytes(path.read_bytes()[:-7])
    done = command("audit", path, "--device", "00:00:5e:00:53:99")
    assert done.returncode == 3
    assert found_in((done.stdout + done.stderr).encode()) == []
