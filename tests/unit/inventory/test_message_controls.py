"""
Orders without a status of their own, and logins that are typed.

Sources: JSON-RPC 2.0 section 5 (result or error), RFC 6455 sections 4.2.2 and 10.2 (101; Origin), RFC 7252 sections 4.2,
5.3 and 5.9 (repetition, token, codes), RFC 8613 (OSCORE), RFC 959 section 4.2.2; RFC 1350 section 4.  Octets are read by
the dissectors.
"""

from dataclasses import replace

import pytest

from auditor.dissect.protocols import coap, raw_json, tftp
from auditor.dissect.protocols.ftp import FtpCommand, FtpReply
from auditor.dissect.protocols.telnet import TelnetMessage
from auditor.dissect.protocols.websocket import WebSocketMessage
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_rpc import message_shape
from auditor.inventory.effects import effect_of_words
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.household import gadget_messages as gadget
from tests.unit.inventory.scenes import (
    LIGHT,
    PHONE,
    Scene,
    end,
    facts_of,
    http_request,
    http_response,
)

PARSE_JSON = next(row for row in raw_json.DISSECTORS if row.transport == "udp").parse_datagram
PARSE_COAP = next(row for row in coap.DISSECTORS if row.transport == "udp").parse_datagram


def told(made):
    return [
        (f.protocol, f.operation, f.effect, f.authentication, f.answered)
        for f in facts_of(made.build(), "control")
    ]


def scene():
    made = Scene(chosen=(LIGHT,))
    made.others()
    return made


def speak(made, protocol, parse, *said, port=38_500):
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=port), protocol=17)
    for number, (back, octets) in enumerate(said):
        made.say(key, protocol, parse(Cursor(octets)), at=2.0 + number, back=back)


CALL = b'{"id":1,"method":"setState","params":{"on":true}}'


@pytest.mark.parametrize(
    ("answers", "answered"),
    [
        ((b'{"id":1,"result":{"success":true}}',), True),
        ((b'{"id":1,"error":{"code":-32601}}',), False),
        ((), None),
        ((b'{"method":"tick","params":{"rssi":1}}',), None),
    ],
)
def test_a_call_is_taken_when_its_answer_says_so(answers, answered):
    made = scene()
    speak(made, "json", PARSE_JSON, (False, CALL), *((True, octets) for octets in answers))

    assert told(made) == [("json", "call setState", "light", "none", answered)]


def test_a_message_is_taken_when_the_device_says_the_same_back():
    made = scene()
    speak(made, "json", PARSE_JSON, (False, b'{"on":true}'), (True, b'{"state":{"on":true}}'))
    assert told(made) == [("json", "message on", "light", "none", True)]

    made = scene()
    speak(made, "json", PARSE_JSON, (False, b'{"on":true}'), (True, b'{"uptime":7}'))
    assert told(made) == [("json", "message on", "light", "none", None)]


def test_a_token_in_the_message_is_a_login():
    made = scene()
    order = b'{"token":"9c1f0a77d2b64e0f8a35c1d9e2b40f61","on":true}'
    speak(made, "json", PARSE_JSON, (False, order), (True, b'{"state":{"on":true}}'))

    assert [row[3] for row in told(made)] == ["accepted"]
    made = scene()
    speak(made, "json", PARSE_JSON, (False, order), (True, b'{"state":{"on":true}}'))
    [secret] = [f for f in facts_of(made.build(), "secret") if f.direction == "to-device"]
    assert (secret.kind, secret.accepted) == ("token", True)


@pytest.mark.parametrize(
    ("keys", "method", "effect"),
    [
        (("on", "bri"), None, "light"),
        (("wifi.ssid", "wifi.psk"), None, "configuration"),
        (("v",), None, "read"),
        (("params.on",), "getState", "read"),
        ((), "firmware.update", "firmware"),
        (("params.config.name",), "Sys.SetConfig", "configuration"),
        (("params.brightness",), "Light.Set", "light"),
    ],
)
def test_effect_of_words(keys, method, effect):
    assert effect_of_words(keys, method) == effect


def text_message(octets, *, from_client):
    keys, secrets, rpc = message_shape(octets, "websocket")
    return WebSocketMessage(
        length=len(octets), opcode=1, from_client=from_client, payload_octets=len(octets), frames=1, keys=keys,
        secrets=secrets, rpc=rpc, is_compressed=False, is_masked=from_client, close_code=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("status", "foreign", "cookie", "expected"),
    [
        (101, True, False, ("none", True, True)),
        (101, False, False, ("none", True, None)),
        (101, None, False, ("none", True, None)),
        (101, True, True, ("accepted", True, True)),
        (403, True, False, None),
    ],
)
def test_web_socket(status, foreign, cookie, expected):
    made = scene()
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=80))
    upgrade = http_request("GET", "/ws", upgrade="websocket", is_cross_origin=foreign, cookie=cookie)
    made.say(key, "http", upgrade, at=2)
    made.say(key, "http", replace(http_response(status), body_keys=()), at=2.1, back=True)
    made.say(key, "websocket", text_message(b'{"on":true}', from_client=True), at=2.2)
    made.say(key, "websocket", text_message(b'{"state":{"on":true}}', from_client=False), at=2.3, back=True)
    rows = [f for f in facts_of(made.build(), "control") if f.protocol == "websocket"]

    seen = [(f.authentication, f.answered, f.open_to_web_pages) for f in rows]
    assert seen == ([expected] if expected else [])


PUT, CHANGED, UNAUTHORIZED = 0x03, 0x44, 0x81  # 0.03, 2.04, 4.01


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ([(CHANGED, b"\x01")], ("none", True)),
        ([(UNAUTHORIZED, b"\x01")], ("rejected", False)),
        ([(CHANGED, b"\x02")], ("none", None)),  # another token
        ([], ("none", None)),
    ],
)
def test_coap_pairs_by_token(answers, expected):
    made = scene()
    request = gadget.coap(PUT, 7, b"\x01", ("light",), b'{"on":true}', content_format=50)
    responses = [(True, gadget.coap(code, 7, token, message_type=2)) for code, token in answers]
    # the same message identifier again is a repetition (RFC 7252 4.2)
    speak(made, "coap", PARSE_COAP, (False, request), (False, request), *responses, port=5683)
    [row] = facts_of(made.build(), "control")

    assert (row.operation, row.effect, row.count) == ("PUT /light", "light", 1)
    assert (row.authentication, row.answered) == expected


def test_what_oscore_protects_gives_no_row():
    made = scene()
    octets = bytes([0x41, PUT, 0, 9, 1, 0x90])  # token 01, option 9 without a value
    speak(made, "coap", PARSE_COAP, (False, octets), port=5683)

    assert told(made) == []


def sighted(kind, value, place="ftp"):
    return SightedSecret(kind=kind, place=place, field="PASS", secret=Secret(value))


@pytest.mark.parametrize(("code", "accepted"), [(230, True), (530, False), (331, None)])
def test_ftp_login(code, accepted):
    made = scene()
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=21))
    made.say(key, "ftp", FtpCommand(length=9, verb="PASS", access=None, is_anonymous=False,
                                    secrets=(sighted("password", b"kettle"),)))  # fmt: skip
    made.say(key, "ftp", FtpReply(length=9, code=code, text=None), back=True)
    [secret] = [f for f in facts_of(made.build(), "secret") if f.direction == "to-device"]

    assert (secret.kind, secret.protocol, secret.accepted) == ("password", "ftp", accepted)


@pytest.mark.parametrize(("prompt", "accepted"), [("shell", True), ("login", False), (None, None)])
def test_telnet_login(prompt, accepted):
    made = scene()
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=23))
    typed = TelnetMessage(length=9, from_client=True, options=(), prompt=None,
                          secrets=(sighted("password", b"kettle", "telnet"),))  # fmt: skip
    made.say(key, "telnet", typed)
    made.say(
        key,
        "telnet",
        TelnetMessage(length=3, from_client=False, options=(), prompt=prompt, secrets=()),
        back=True,
    )
    [secret] = [f for f in facts_of(made.build(), "secret") if f.direction == "to-device"]

    assert secret.accepted is accepted


@pytest.mark.parametrize("server_began", [True, False], ids=["server-first", "client-first"])
@pytest.mark.parametrize(("name", "effect"), [("strip.bin", "firmware"), ("settings.txt", "configuration")])
def test_a_file_written_by_tftp_is_an_order_and_the_service_answered_from_another_port(
    name, effect, server_began
):
    """RFC 1350 section 4: both ports of the transfer are chosen freely, so that either may be the lower one."""
    made = scene()
    key = made.flow(
        end(PHONE, port=50_000), end(LIGHT, port=69), protocol=17, received=0, outcome="unanswered"
    )
    request = b"\x00\x02" + name.encode() + b"\0octet\0"
    made.say(key, "tftp", tftp.DISSECTOR.parse_datagram(Cursor(request)))
    ends = (end(LIGHT, port=49_999), end(PHONE, port=50_000))
    made.flow(*(ends if server_began else ends[::-1]), at=1.1, protocol=17)
    inventory = made.build()

    [row] = facts_of(inventory, "control")
    assert (row.operation, row.effect, row.login_by_design, row.answered) == ("write", effect, False, None)
    [service] = [f for f in facts_of(inventory, "service") if f.port == 69]
    assert (service.state, service.application_protocol, service.transport) == ("answered", "tftp", "udp")
