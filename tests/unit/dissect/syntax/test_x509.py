"""
Certificates are built with cryptography (Apache-2.0/BSD), which is also the oracle for what they say.
"""

import datetime as dt

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.dissect.syntax.x509 import parse_certificate
from auditor.errors import DecodeError, LimitError, TruncatedError
from tests.unit.dissect.tls_peers import certificate

KEY = ec.generate_private_key(ec.SECP256R1())
DER = serialization.Encoding.DER
LABELS = st.text("abcdefghij-0123456789", min_size=1, max_size=20).filter(lambda s: not s.startswith("-"))


@settings(max_examples=40, deadline=None)
@given(
    subject=st.text("abc öß.-", min_size=1, max_size=30),
    issuer=st.none() | st.text("abcXYZ", min_size=1, max_size=30),
    names=st.lists(LABELS.map(lambda label: f"{label}.example"), max_size=5),
    begin=st.datetimes(dt.datetime(1951, 1, 1), dt.datetime(2049, 1, 1)),  # noqa: DTZ001 - made aware below
    length=st.timedeltas(dt.timedelta(1), dt.timedelta(days=36_500)),
    critical=st.booleans(),
)
def test_reads_what_another_library_wrote(subject, issuer, names, begin, length, critical):
    begin = begin.replace(microsecond=0, tzinfo=dt.UTC)
    end = (begin + length).replace(microsecond=0)
    constraints = (x509.BasicConstraints(ca=False, path_length=None), critical)
    made, _ = certificate(subject, issuer, names, begin, end, KEY, extras=[constraints])

    facts = parse_certificate(made.public_bytes(DER))

    attribute = made.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
    assert facts.subject == attribute
    assert facts.issuer == made.issuer.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
    assert facts.self_issued == (made.issuer == made.subject)
    assert facts.names == tuple(names)
    assert facts.not_before_ns == int(made.not_valid_before_utc.timestamp()) * 10**9
    assert facts.not_after_ns == int(made.not_valid_after_utc.timestamp()) * 10**9


def test_an_organization_stands_in_for_an_issuer_without_common_name():
    issuer = x509.Name([x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Example Works")])
    moment = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(issuer)
        .public_key(KEY.public_key())
        .serial_number(1)
        .not_valid_before(moment)
        .not_valid_after(dt.datetime(9999, 12, 31, 23, 59, 59, tzinfo=dt.UTC))
        .sign(KEY, hashes.SHA256())
    )

    facts = parse_certificate(made.public_bytes(DER))

    assert (facts.subject, facts.issuer, facts.self_issued) == (None, "Example Works", False)
    assert facts.not_after_ns == 253_402_300_799 * 10**9  # RFC 5280 4.1.2.5: no well-defined end


WHOLE = certificate(key=KEY)[0].public_bytes(DER)


@pytest.mark.parametrize("cut", range(1, len(WHOLE), 7))
def test_every_truncation_is_reported(cut):
    with pytest.raises(TruncatedError):
        parse_certificate(WHOLE[:-cut])


def test_many_parts_of_a_name_are_refused():
    # RFC 5280 4.1: SEQUENCE { SEQUENCE { INTEGER, SEQUENCE {}, issuer, validity, subject, key } }
    def element(tag, *parts):
        body = b"".join(parts)
        return bytes([tag, 0x83]) + len(body).to_bytes(3, "big") + body

    part = element(0x31, element(0x30, element(0x06, b"\x55\x04\x03"), element(0x0C, b"a")))
    time = element(0x17, b"260101000000Z")
    name = element(0x30, *[part] * 100)
    body = [element(0x02, b"\1"), element(0x30), name, element(0x30, time, time), name, element(0x30)]

    with pytest.raises(LimitError):
        parse_certificate(element(0x30, element(0x30, *body)))


@given(st.binary(max_size=120))
def test_any_octets_give_facts_or_a_decode_error(octets):
    with pytest.raises(DecodeError):
        parse_certificate(octets)


@settings(max_examples=100)
@given(st.integers(0, len(WHOLE) - 1), st.integers(0, 255))
def test_any_changed_octet_gives_facts_or_a_decode_error(index, value):
    octets = bytearray(WHOLE)
    octets[index] = value
    try:
        facts = parse_certificate(bytes(octets))
    except DecodeError:
        return
    assert facts.subject is None or facts.subject.isprintable()
