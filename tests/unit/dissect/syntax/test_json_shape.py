"""
Grammar from RFC 8259.  Oracle: the json module of the standard library.
"""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.syntax.json_shape import MAX_KEYS, MAX_NESTING, MAX_SECRETS, json_keys
from auditor.secret import Secret

RUN_KEY = b"one run"


def found(octets):
    return [(sighted.kind, sighted.field) for sighted in json_keys(octets)[1]]


def test_keys_are_joined_by_dots_at_most_three_deep():
    octets = b'{"on":true,"seg":[{"id":0,"col":[[255,0,0]]},{"id":1}],"a":{"b":{"c":{"d":1}}}}'

    assert json_keys(octets)[0] == ("on", "seg", "seg.id", "seg.col", "a", "a.b", "a.b.c")


def test_a_value_is_never_taken_for_a_key():
    assert json_keys(b'["a","b",{"k":"v","w":["x"]}]')[0] == ("k", "w")


def test_a_passphrase_beside_a_network_name_is_a_wireless_one():
    octets = b'{"nw":{"ins":[{"ssid":"home","psk":"secret words"}]},"mqtt":{"user":"u","password":"p4"}}'

    sighted = json_keys(octets)[1]
    assert [(one.kind, one.field) for one in sighted] == [
        ("wifi-passphrase", "psk"),
        ("password", "password"),
        ("user-name", "user"),
    ]
    assert sighted[0].secret.fingerprint(RUN_KEY) == Secret(b"secret words").fingerprint(RUN_KEY)


def test_escapes_are_resolved_before_a_secret_is_compared():
    sighted = json_keys(rb'{"pass\u0077ord":"a\"b\u00e9"}')[1]

    assert sighted[0].field == "password"
    assert sighted[0].secret.fingerprint(RUN_KEY) == Secret('a"bé'.encode()).fingerprint(RUN_KEY)


@pytest.mark.parametrize(
    "octets",
    [
        b'{"password":""}',
        b'{"password":"********"}',
        b'{"password":true}',
        b'{"password":null}',
        b'{"key":1}',
        b'{"keyframe":"abcdefghij"}',
        b'{"public_key":"abcdefghij"}',
        b'{"bypass":"abcdefghij"}',
        b'{"compass":"abcdefghij"}',
    ],
)
def test_what_is_hidden_or_no_secret_is_not_sighted(octets):
    assert found(octets) == []


@pytest.mark.parametrize("cut", range(1, 30))
def test_a_text_that_breaks_off_gives_what_came_before(cut):
    octets = b'{"one":1,"two":{"three":"3"},"four":4}'

    keys = json_keys(octets[:-cut])[0]
    assert keys == ("one", "two", "two.three", "four")[: len(keys)]
    assert keys[0] == "one"


def test_deep_nesting_ends_the_reading_and_nothing_else():
    assert json_keys(b'{"a":' * 100_000)[0] == ("a", "a.a", "a.a.a")
    assert json_keys(b"[" * 100_000 + b'{"b":1}') == ((), ())
    assert json_keys(b"[" * (MAX_NESTING - 1) + b'{"b":1}')[0] == ("b",)


def test_many_keys_and_secrets_are_bounded():
    octets = ("{" + ",".join(f'"password{i}x pw":"v{i}"' for i in range(1000)) + "}").encode()
    keys, secrets = json_keys(octets)

    assert len(keys) == MAX_KEYS
    assert len(secrets) <= MAX_SECRETS + 1


def test_an_unclosed_string_is_read_in_linear_time():
    assert json_keys(b'{"a":"' + b"\\" * 200_001)[0] == ("a",)


NAMES = st.text("abcde_é", min_size=1, max_size=6)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=12,
)


def keys_by_walk(value, prefix=()):
    if isinstance(value, list):
        return [key for item in value for key in keys_by_walk(item, prefix)]
    if not isinstance(value, dict):
        return []
    keys = []
    for name, inner in value.items():
        if len(prefix) < 3:
            keys.append(".".join((*prefix, name)))
        keys += keys_by_walk(inner, (*prefix, name))
    return keys


@given(VALUES, st.booleans(), st.sampled_from([None, 1]))
def test_lists_the_keys_that_the_standard_library_reads(value, ascii_only, indent):
    octets = json.dumps(value, ensure_ascii=ascii_only, indent=indent).encode()

    assert json_keys(octets)[0] == tuple(dict.fromkeys(keys_by_walk(json.loads(octets))))


@given(st.binary(max_size=200) | st.text('{}[]:,"\\ap1 ', max_size=60).map(str.encode))
def test_any_octets_give_a_result(octets):
    keys, secrets = json_keys(octets)

    assert len(keys) <= MAX_KEYS
    assert all(key.isprintable() for key in keys)
    assert len(secrets) <= MAX_SECRETS + 1
