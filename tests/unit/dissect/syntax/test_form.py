"""
Oracles: urllib.parse and email of the standard library; RFC 7578 section 4.2 for the shape of parts.
"""

from email.message import EmailMessage
from email.policy import HTTP
from urllib.parse import parse_qsl, urlencode

from hypothesis import given
from hypothesis import strategies as st

from auditor.dissect.syntax.form import (
    MAX_FORM_FIELDS,
    multipart_fields,
    names_of,
    secrets_of,
    urlencoded_fields,
)

NAMES = st.text("abcXYZ_-. é&=", min_size=1, max_size=8)


@given(st.lists(st.tuples(NAMES, st.text(max_size=8)), max_size=8))
def test_reads_what_the_standard_library_encodes(fields):
    octets = urlencode(fields).encode()

    read = urlencoded_fields(octets)
    assert [(name, value.decode()) for name, value in read] == parse_qsl(
        octets.decode(), keep_blank_values=True
    )


def test_a_wireless_passphrase_is_told_by_its_neighbour():
    fields = urlencoded_fields(b"CS0=home&ssid=my+net&pass=two%20words&btn=Save")

    assert names_of(fields) == ("CS0", "ssid", "pass", "btn")
    assert [(one.kind, one.place, one.field) for one in secrets_of(fields, "http-form")] == [
        ("wifi-passphrase", "http-form", "pass")
    ]


def test_a_user_name_counts_only_beside_a_password():
    assert secrets_of(urlencoded_fields(b"user=anna&page=2"), "http-form") == ()
    kinds = [one.kind for one in secrets_of(urlencoded_fields(b"user=anna&pwd=x1"), "http-form")]
    assert kinds == ["password", "user-name"]


@given(
    st.lists(st.tuples(st.text("abcXYZ", min_size=1, max_size=8), st.text("xyz \n", max_size=9)), max_size=5)
)
def test_reads_parts_that_the_standard_library_wrote(fields):
    whole = EmailMessage(policy=HTTP)
    whole.make_mixed(boundary="limit-42")
    for name, value in fields:
        part = EmailMessage(policy=HTTP)
        part.set_content(value, cte="7bit")
        part.add_header("Content-Disposition", "form-data", name=name)
        whole.attach(part)
    octets = whole.as_bytes().partition(b"\r\n\r\n")[2]

    read = multipart_fields(octets, b"multipart/form-data; boundary=limit-42")
    assert [name for name, _ in read] == [name for name, _ in fields]


def test_the_octets_of_a_file_are_not_kept():
    octets = (
        b'--b\r\nContent-Disposition: form-data; name="update"; filename="firmware.bin"\r\n\r\n\x00\x01\r\n'
        b'--b\r\nContent-Disposition: form-data; name="password"\r\n\r\npw one\r\n--b--\r\n'
    )

    assert multipart_fields(octets, b'multipart/form-data; boundary="b"') == [
        ("update", b""),
        ("password", b"pw one"),
    ]


def test_fields_are_bounded():
    assert len(urlencoded_fields(b"a=1&" * 10_000)) == MAX_FORM_FIELDS


@given(st.binary(max_size=200))
def test_any_octets_give_fields(octets):
    assert all(name.isprintable() for name, _ in urlencoded_fields(octets))
    assert all(name.isprintable() for name, _ in multipart_fields(octets, b"multipart/form-data; boundary=a"))
