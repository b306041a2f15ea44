"""
A light with a web interface, CoAP and JSON, recorded live.

Oracles: the statuses and codes that the clients got; aiohttp and aiocoap made and read every octet, the digest is also
calculated by the server (RFC 7616 section 3.4.1); the JSON lines are by the standard library.
"""

import pytest

from auditor.dissect.protocols.coap import CoapMessage
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.websocket import WebSocketMessage
from tests.lab.recorded import LIGHT, PHONE, Recorded, at_home
from tests.lab.roles.gadget import PASSWORD, TOKEN
from tests.scenarios.support import device_id, findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-gadget")]


@pytest.fixture(scope="module")
def gadget(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-gadget")
    with at_home(folder, "curl") as house:
        recorded = Recorded(folder / "gadget.pcap", folder)
        house.record(recorded.capture)
        for role in ("web_server", "coap_server", "json_server"):
            house.start_role("light", f"gadget.{role}", LIGHT.ipv4)
        deeds = recorded.deeds
        deeds["visit"] = house.role("phone", "gadget.visit", LIGHT.ipv4)
        deeds["talk"] = house.role("phone", "gadget.talk", LIGHT.ipv4, "http://news.example")
        deeds["coap"] = house.role("phone", "gadget.coap", LIGHT.ipv4)
        deeds["json"] = house.role("phone", "gadget.json_client", LIGHT.ipv4)
        for name, arguments in (
            ("http2", ("--http2-prior-knowledge", f"http://{LIGHT.ipv4}/")),
            ("rtsp", (f"rtsp://{LIGHT.ipv4}:80/eye",)),
        ):
            deeds[name] = house.act("phone", "curl", "-sS", "-m", "10", *arguments)
        return recorded.done()


def test_only_the_answer_of_another_protocol_was_unreadable(gadget):
    """A server of HTTP answers a question of RTSP in its own way."""
    assert [issue.where for issue in gadget.issues] == ["rtsp start_line"]
    assert gadget.is_within({"packet": gadget.issues[0].packet.packet_number}, "rtsp")


@pytest.mark.parametrize(
    ("name", "operation", "effect", "authentication", "answered"),
    [
        ("read", "GET /light/state", "read", "none", True),
        ("switch", "POST /light/state", "light", "none", True),
        ("basic", "POST /config", "configuration", "accepted", True),
        ("basic refused", "POST /config", "configuration", "rejected", False),
        ("digest", "POST /settings", "configuration", "accepted", True),
        ("bearer", "POST /setup", "configuration", "accepted", True),
        ("bearer refused", "POST /setup", "configuration", "rejected", False),
    ],
)
def test_every_request_is_told_as_it_ended(gadget, name, operation, effect, authentication, answered):
    status = gadget.said("visit")[name]
    [row] = gadget.controls("http", by=PHONE, operation=operation, answered=answered)

    assert (status < 400) == answered
    assert (row["effect"], row["authentication"], row["count"]) == (effect, authentication, 1)
    assert row["device_id"] == device_id(gadget.document, LIGHT)
    assert gadget.is_within(row["first_packet"], "visit")


def test_the_statuses_are_those_that_the_client_got(gadget):
    answers = [
        one.message.status for one in gadget.messages("http", deed="visit", source=LIGHT, kind=HttpResponse)
    ]
    got = gadget.said("visit")

    # Digest is asked twice: once to learn the nonce (RFC 7616 section 3.3), which the client does not tell.
    assert sorted(answers) == sorted([*got.values(), 401])


def test_what_was_asked_for_is_told(gadget):
    asked = {
        (one.message.path, one.message.scheme): one.message
        for one in gadget.messages("http", deed="visit", source=PHONE, kind=HttpRequest)
    }

    assert asked["/settings", "digest"].digest_algorithm == "sha-256"
    assert {place for _, place in asked} == {None, "basic", "digest", "bearer"}
    assert asked["/events", None].accepts_events


def test_no_value_of_a_secret_is_told(gadget):
    told = str(gadget.document) + repr(gadget.messages("http"))

    assert findings(gadget.document, "password-in-clear-text", host=LIGHT)
    assert findings(gadget.document, "token-in-clear-text", host=LIGHT)
    for value in (PASSWORD, TOKEN, TOKEN[::-1]):
        assert value not in told


def test_orders_over_a_web_socket_are_told(gadget):
    ours = [
        one.message
        for one in gadget.messages("websocket", deed="talk", source=PHONE, kind=WebSocketMessage)
        if one.message.opcode == 1  # text (RFC 6455 section 5.2)
    ]
    [row] = gadget.controls("websocket", by=PHONE)
    [opening] = gadget.messages("http", deed="talk", source=PHONE)

    assert len(ours) == row["count"] == gadget.said("talk")["orders"]
    assert all(one.is_masked for one in ours)
    assert (row["effect"], row["answered"]) == ("light", True)
    assert opening.message.origin == "http://news.example"
    assert opening.message.is_cross_origin


def test_every_request_of_coap_is_told_as_it_ended(gadget):
    codes = {name: tuple(map(int, code.split("."))) for name, code in gadget.said("coap").items()}
    answers = [
        divmod(one.message.code, 32)
        for one in gadget.messages("coap", deed="coap", source=LIGHT, kind=CoapMessage)
    ]
    told = {
        row["operation"]: (row["effect"], row["authentication"], row["answered"])
        for row in gadget.controls("coap")
    }

    blocks = codes.pop("blocks")
    assert answers == [*codes.values(), blocks, blocks, blocks]  # 2800 octets in blocks of 1024
    assert told == {
        "GET /light": ("read", "none", True), "PUT /light": ("light", "none", True),
        "GET /nothing": ("read", "none", False), "PUT /config": ("configuration", "rejected", False),
        "GET /effects": ("read", "none", True),
    }  # fmt: skip


def test_orders_in_json_are_told(gadget):
    [row] = gadget.controls("json", by=PHONE)

    assert row["count"] == sum(gadget.said("json").values())
    assert (row["effect"], row["answered"]) == ("light", True)
    assert gadget.is_within(row["first_packet"], "json")


def test_what_the_light_does_not_speak_is_told_as_asked(gadget):
    [preface] = gadget.messages("http2", deed="http2")
    [request] = [one.message for one in gadget.messages("rtsp", deed="rtsp", source=PHONE)]

    assert gadget.deeds["http2"].status != 0  # a server of HTTP/1 cannot answer either
    assert gadget.deeds["rtsp"].status != 0
    assert preface.from_initiator
    assert (request.method, request.version) == ("OPTIONS", "1.0")


def test_what_anybody_may_do_is_found_and_what_was_refused_is_not(gadget):
    found = {
        finding["summary"].split(" (")[0]
        for finding in findings(gadget.document, "light-control-without-login", host=LIGHT)
    }

    assert {"call light.set", "POST /light/state", "PUT /light"} <= found
    assert not any(
        path in finding["summary"]
        for finding in findings(gadget.document, "configuration-without-login")
        for path in ("/config", "/settings", "/setup")
    )


def test_a_page_of_another_site_could_drive_the_light(gadget):
    [found] = [
        one
        for one in findings(gadget.document, "control-open-to-web-pages", host=LIGHT)
        if "(websocket)" in one["summary"]
    ]

    assert gadget.is_within(found["evidence"][0], "talk")


def test_a_login_is_no_change_of_settings(gadget):
    assert gadget.said("visit")["login"] == 303
    assert findings(gadget.document, "configuration-without-login", host=LIGHT) == []
