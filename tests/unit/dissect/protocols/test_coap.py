"""
Vectors: RFC 7252 appendix A (tests/vectors/coap).
Oracle: aiocoap 0.4 (MIT), which writes the same messages from field values.
"""

import random

import aiocoap
import pytest
from aiocoap.message import Direction
from aiocoap.numbers.constants import TransportTuning
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.coap import looks_like, looks_like_request, parse_datagram
from auditor.dissect.table import DISSECTORS
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged, vector
from tests.unit.dissect.packets import LAMP, PHONE, datagram, dispatch

GET, CONTENT, GET_WITH_TOKEN = (
    vector(f"coap/coap-{name}") for name in ("get-temperature", "205-content", "get-token")
)


def read(octets):
    return parse_datagram(Cursor(octets))


def encoded(**fields):
    options = {
        name: fields.pop(name) for name in list(fields) if name not in ("code", "payload", "mtype", "mid")
    }
    message = aiocoap.Message(
        code=fields["code"], payload=fields.get("payload", b""), transport_tuning=TransportTuning()
    )
    message.mtype = fields.get("mtype", aiocoap.CON)
    message.mid = fields.get("mid", 7)
    message.token = options.pop("token", b"")
    message.direction = Direction.OUTGOING
    for name, value in options.items():
        setattr(message.opt, name, value)
    return message.encode()


def test_exchange_of_the_standard():
    asked, said = read(GET), read(CONTENT)

    assert (asked.method, asked.code_text, asked.path, asked.message_id) == (
        "GET",
        "0.01",
        "/temperature",
        0x7D34,
    )
    assert (asked.message_type, asked.is_request, asked.token) == (0, True, b"")
    assert (said.code_text, said.message_type, said.message_id, said.payload_octets) == ("2.05", 2, 0x7D34, 6)
    assert not said.is_request
    assert read(GET_WITH_TOKEN).token == b"\x20"


WORDS = st.text("abcdefgh", min_size=1, max_size=12)


@given(
    code=st.sampled_from(
        [aiocoap.GET, aiocoap.POST, aiocoap.PUT, aiocoap.DELETE, aiocoap.FETCH, aiocoap.iPATCH]
    ),
    mtype=st.sampled_from([aiocoap.CON, aiocoap.NON]),
    mid=st.integers(0, 65_535),
    token=st.binary(max_size=8),
    path=st.lists(WORDS, min_size=1, max_size=5),
    query=st.dictionaries(WORDS, WORDS, max_size=4),
    observe=st.none() | st.integers(0, 1),
    content_format=st.none() | st.sampled_from([0, 50, 60]),
    payload=st.binary(max_size=200),
)
def test_reads_what_another_library_wrote(
    code, mtype, mid, token, path, query, observe, content_format, payload
):
    octets = encoded(
        code=code,
        mtype=mtype,
        mid=mid,
        token=token,
        payload=payload,
        uri_path=tuple(path),
        uri_query=tuple(f"{name}={value}" for name, value in query.items()),
        observe=observe,
        content_format=content_format,
    )
    message = read(octets)

    assert (message.code, message.message_type, message.message_id) == (int(code), int(mtype), mid)
    assert (message.token, message.payload_octets, message.length) == (token, len(payload), len(octets))
    assert message.path == "/" + "/".join(path)
    assert message.query_keys == tuple(query)
    assert (message.observe, message.content_format) == (observe, content_format)
    assert looks_like(octets[:64])


def test_block_transfer_and_secrets():  # RFC 7959 2.2
    octets = encoded(
        code=aiocoap.PUT,
        uri_host="Lamp.example",
        uri_path=("config", "f3a9c07be1d24568f3a9c07be1d24568"),
        uri_query=("token=0123456789abcdef",),
        block1=(2, True, 6),
        payload=b'{"ssid": "home", "psk": "open sesame"}',
    )
    message = read(octets)

    assert message.request_block == (2, True, 1024)
    assert message.response_block is None
    assert (message.host, message.path, message.query_keys) == ("lamp.example", "/config/*", ("token",))
    assert message.payload_keys == ("ssid", "psk")
    assert [(one.kind, one.place) for one in message.secrets] == [
        ("token", "coap-uri"),
        ("token", "coap-uri"),
        ("wifi-passphrase", "coap-json"),
    ]
    assert message.secrets[2].secret.fingerprint(b"k") == Secret(b"open sesame").fingerprint(b"k")
    assert "sesame" not in repr(message)
    assert "f3a9" not in repr(message)


def test_protected_content_is_not_read():
    """RFC 8613 section 2: option 9; the visible code is POST, and the payload is encrypted."""
    message = read(encoded(code=aiocoap.POST, oscore=b"\x09\x00\x01", payload=b'{"on": true}'))

    assert (message.is_oscore, message.payload_keys, message.payload_octets) == (True, (), 12)


def test_empty_messages():  # RFC 7252 4.3 and 1.2: ping, acknowledgement, reset
    assert [read(bytes([first, 0, 0, 9])).message_type for first in (0x40, 0x60, 0x70)] == [0, 2, 3]


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x80\x01\0\0", MalformedError, "version", id="version-2"),
        pytest.param(b"\x49\x01\0\0" + bytes(9), MalformedError, "token_length", id="nine-octets-of-token"),
        pytest.param(b"\x40\x00\0\0\xff", MalformedError, "code", id="empty-with-content"),
        pytest.param(b"\x40\x21\0\0", MalformedError, "code", id="reserved-class"),
        pytest.param(b"\x40\x01\0\0\xf0", MalformedError, "option_delta", id="reserved-delta"),
        pytest.param(b"\x40\x01\0\0\xbf", MalformedError, "option_length", id="reserved-length"),
        pytest.param(b"\x40\x01\0\0\xff", MalformedError, "payload", id="marker-without-payload"),
        pytest.param(b"\x40\x01\0\0\xb4abc", TruncatedError, "option_value", id="option-past-the-end"),
        pytest.param(b"\x40\x01\0\0" + b"\x10a" * 3 + b"\0" * 70, LimitError, "options", id="many-options"),
        pytest.param(
            b"\x40\x01\0\0\xbe\xff\xff" + bytes(70_000), LimitError, "option_length", id="long-option"
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        read(octets)

    assert info.value.field == field


@given(octets=damaged(GET, CONTENT, GET_WITH_TOKEN))
def test_any_octets_give_a_message_or_an_error(octets):
    assert_message_or_decode_error(parse_datagram, octets)


def test_a_request_is_told_on_any_port_and_its_answer_with_it():
    packets = [
        datagram(PHONE, LAMP, 50_000, 9_999, GET),
        datagram(LAMP, PHONE, 9_999, 50_000, CONTENT),
        datagram(LAMP, PHONE, 9_999, 50_001, CONTENT),
    ]
    items = dispatch(packets, Dispatcher(DISSECTORS, strict=True))

    assert [(item.protocol, item.message.code_text) for item in items] == [("coap", "0.01"), ("coap", "2.05")]


def test_noise_is_no_request():
    noise = random.Random(3)
    heads = [
        bytes([0x40 | noise.randrange(9), noise.randrange(1, 8)]) + noise.randbytes(62) for _ in range(50_000)
    ]

    assert sum(map(looks_like_request, heads)) < 5  # though version, token length and code were right already
    assert not any(looks_like_request(noise.randbytes(64)) for _ in range(50_000))
