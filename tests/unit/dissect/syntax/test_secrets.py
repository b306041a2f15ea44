"""Names of secrets are common practice; the lists here were put together by hand."""

import secrets
import uuid

import pytest

from auditor.dissect.syntax.secrets import (
    is_identifier,
    is_session_name,
    is_user_field,
    kind_of_field,
    looks_random,
)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("password", "password"),
        ("Password", "password"),
        ("user_password", "password"),
        ("mqttPass", "password"),
        ("mqttpass", "password"),
        ("pwd", "password"),
        ("psk", "password"),
        ("wifiPassword", "wifi-passphrase"),
        ("wifipass", "wifi-passphrase"),
        ("wpa_passphrase", "wifi-passphrase"),
        ("ap-psk", "wifi-passphrase"),
        ("token", "token"),
        ("accessToken", "token"),
        ("access_token", "token"),
        ("apikey", "token"),
        ("api-key", "token"),
        ("key", "token"),
        ("clientSecret", "token"),
        ("monkey", None),
        ("keyboard", None),
        ("keys", None),
        ("public_key", None),
        ("passive", None),
        ("bypass", None),
        ("ssid", None),
        ("brightness", None),
        ("", None),
        ("---", None),
    ],
)
def test_kind_of_field(name, kind):
    assert kind_of_field(name) == kind


def test_neighbour_makes_a_passphrase_a_wireless_one():
    assert kind_of_field("psk", beside_network_name=True) == "wifi-passphrase"
    assert kind_of_field("token", beside_network_name=True) == "token"


@pytest.mark.parametrize("name", ["session", "SESSIONID", "PHPSESSID", "sid", "auth_token", "connect.sid"])
def test_session_names(name):
    assert is_session_name(name)


@pytest.mark.parametrize("name", ["lang", "theme", "side", "consent"])
def test_other_cookies(name):
    assert not is_session_name(name)


def test_user_fields():
    assert is_user_field("userName")
    assert is_user_field("login")
    assert not is_user_field("userAgent")


def test_random_tokens_look_random():
    for _ in range(200):
        assert looks_random(secrets.token_hex(16))
    assert sum(looks_random(secrets.token_urlsafe(30)) for _ in range(200)) > 190


@pytest.mark.parametrize(
    "segment",
    [
        "lights",
        "0200000000ff",  # a link address
        "description.xml",
        "firmware-update-progress-page",
        "ThisIsALongCamelCaseResourceName",
        "2026-11-25T12-00-00Z",
        "00000000000000000000000000000000",
        "Living%20Room%20Ceiling%20Light",
        "bootstrap.min.3f2a9c1b77aa0e12.js",
    ],
)
def test_names_do_not_look_random(segment):
    assert not looks_random(segment)


def test_a_uuid_is_an_identifier():  # RFC 9562 section 4
    assert is_identifier(str(uuid.uuid4()))
    assert is_identifier(f"uuid:{uuid.uuid4()}")
    assert not looks_random(str(uuid.UUID(int=0)))
