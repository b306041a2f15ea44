"""
Records come from handshakes of OpenSSL (through pyOpenSSL) in memory; those of DTLS 1.3, which that OpenSSL does
not speak, are written by hand from RFC 9147 sections 4 and 5.3.
"""

import functools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.dtls import (
    DtlsClientHello,
    DtlsHelloVerifyRequest,
    DtlsRecords,
    DtlsServerHello,
    continues,
    looks_like,
    parse_datagram,
)
from auditor.dissect.table import DISSECTORS
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.dissect.dtls_peers import handshake
from tests.unit.dissect.packets import LAMP, PHONE, datagram, dispatch

peers = functools.cache(handshake)


def read(octets):
    return parse_datagram(Cursor(octets))


def record(kind, content, version=0xFEFD, epoch=0, sequence=0):
    return (
        bytes([kind])
        + version.to_bytes(2, "big")
        + epoch.to_bytes(2, "big")
        + sequence.to_bytes(6, "big")
        + len(content).to_bytes(2, "big")
        + content
    )


def fragment(kind, body, start=0, end=None, sequence=0):
    part = body[start:end]
    numbers = (len(body).to_bytes(3, "big"), sequence.to_bytes(2, "big"), start.to_bytes(3, "big"))
    return bytes([kind]) + b"".join(numbers) + len(part).to_bytes(3, "big") + part


def extension(kind, content):
    return kind.to_bytes(2, "big") + len(content).to_bytes(2, "big") + content


# RFC 9147 5.3: legacy_version {254, 253}, session and cookie empty, versions in supported_versions.
HELLO_1_3 = (
    b"\xfe\xfd" + bytes(32) + b"\0\0" + b"\x00\x04\x13\x01\x13\x03" + b"\x01\x00"
    + (lambda held: len(held).to_bytes(2, "big") + held)(
        extension(43, b"\x04\xfe\xfc\xfe\xfd")
        + extension(0, b"\x00\x0f\x00\x00\x0clamp.example")
    )
)  # fmt: skip


@pytest.mark.parametrize("version", [0xFEFD, None])
def test_handshake_of_openssl(version):
    said = [(by_client, read(octets)) for by_client, octets in peers(version)]

    first, second = (message for _, message in said if isinstance(message, DtlsClientHello))
    assert (first.server_name, first.application_protocols) == ("lamp.example", ("coap",))
    assert first.versions == (0xFEFD,)
    assert (first.has_cookie, second.has_cookie) == (False, True)
    assert first.cipher_suites == second.cipher_suites
    assert len(first.cipher_suites) > 3
    (asked,) = (message for _, message in said if isinstance(message, DtlsHelloVerifyRequest))
    assert asked.version >> 8 == 0xFE
    (hello,) = (message for _, message in said if isinstance(message, DtlsServerHello))
    assert (hello.version, hello.application_protocol) == (0xFEFD, "coap")
    assert hello.cipher_suite in first.cipher_suites
    rest = [message for _, message in said if isinstance(message, DtlsRecords)]
    assert rest[-1].is_encrypted
    assert rest[-1].content_types == (23,)
    assert not rest[0].is_encrypted


def test_version_1_0():
    hello = next(read(octets) for _, octets in peers(0xFEFF))

    assert hello.versions == (0xFEFF,)


def test_the_flight_of_a_server_in_one_datagram():
    records = [octets for by_client, octets in peers(0xFEFD) if not by_client]
    first = next(at for at, octets in enumerate(records) if isinstance(read(octets), DtlsServerHello))
    answer = read(b"".join(records[first:]))

    assert isinstance(answer, DtlsServerHello)
    assert answer.version == 0xFEFD


def test_hello_of_version_1_3():
    message = read(record(22, fragment(1, HELLO_1_3)))

    assert message.versions == (0xFEFC, 0xFEFD)
    assert (message.server_name, message.cipher_suites) == ("lamp.example", (0x1301, 0x1303))
    assert not message.has_cookie


def test_encrypted_records_of_version_1_3():  # RFC 9147 figure 3: 001CSLEE
    message = read(b"\x2e\x00\x01\x00\x14" + bytes(20))

    assert (message.is_encrypted, message.content_types) == (True, ())
    assert continues(b"\x2e\x00\x01")
    assert not looks_like(b"\x2e\x00\x01" + bytes(20))


def test_a_hello_in_parts():
    first, second = (fragment(1, HELLO_1_3, 0, 30), fragment(1, HELLO_1_3, 30))

    assert read(record(22, first) + record(22, second)).server_name == "lamp.example"
    assert read(record(22, first)).is_fragment
    assert read(record(22, second)).is_fragment
    assert read(record(22, first) + record(22, fragment(1, HELLO_1_3, 31))).is_fragment


def test_alert_in_the_clear():
    message = read(record(21, b"\x02\x28"))  # RFC 5246 7.2: fatal, handshake_failure

    assert (message.alert, message.is_encrypted) == ((2, 40), False)


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"\x10" + record(22, b"x")[1:], MalformedError, "record_type", id="type"),
        pytest.param(record(22, b"x", version=0x0303), MalformedError, "record_version", id="version"),
        pytest.param(record(23, b"x")[:-1], TruncatedError, "record", id="cut"),
        pytest.param(record(22, b"x" * 5), TruncatedError, "handshake", id="short-handshake"),
        pytest.param(record(20, b"\x01") * 65, LimitError, "records", id="many-records"),
        pytest.param(record(20, b"")[:11] + b"\xff\xff", LimitError, "record_length", id="long-record"),
        pytest.param(
            record(22, b"\x01\xff\xff\xff" + bytes(8)), LimitError, "handshake_length", id="long-handshake"
        ),
        pytest.param(
            record(22, fragment(1, b"\x03\x03" + bytes(40))),
            MalformedError,
            "legacy_version",
            id="hello-of-tls",
        ),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        read(octets)

    assert info.value.field == field


@given(st.data())
def test_any_octets_give_a_message_or_an_error(data):
    octets = data.draw(damaged(record(22, fragment(1, HELLO_1_3)), *(one for _, one in peers(0xFEFD))))

    assert_message_or_decode_error(parse_datagram, octets)


def test_any_port_and_nothing_else():
    packets = [
        datagram(*((PHONE, LAMP, 50_000, 7_000) if by_client else (LAMP, PHONE, 7_000, 50_000)), octets)
        for by_client, octets in peers(0xFEFD)
    ]
    packets.append(datagram(LAMP, PHONE, 7_000, 50_000, b"\x2f\x00\x01\x00\x14" + bytes(20)))
    items = dispatch(packets, Dispatcher(DISSECTORS, strict=True))

    assert {item.protocol for item in items} == {"dtls"}
    assert len(items) == len(packets)
