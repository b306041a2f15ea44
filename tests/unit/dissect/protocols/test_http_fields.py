"""
What HTTP heads and bodies say about logins, pages of other origins, uploads and standing answers.

Sources: RFC 7616 sections 3.9.1 and 3.9.2 (Digest), RFC 9110 section 11.6.1 (challenges), RFC 6455 sections 1.3 and
4.2.2 (upgrade), RFC 6454 section 6 (origins), RFC 7578 (uploads), WHATWG HTML section 9.2 (event streams, from memory),
WHATWG Fetch section 3.2 (cross-origin requests, from memory), JSON-RPC 2.0 section 7.
"""

import pytest

from auditor.dissect.message import PassedOver
from auditor.dissect.protocols.http import parse_stream
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax.http_fields import (
    accepts_websocket,
    challenges_of,
    digest_algorithm,
    is_cross_origin,
)
from auditor.dissect.syntax.http_head import parse_head
from auditor.wire import Cursor

# RFC 7616 3.9.1, folded lines joined, values shortened
DIGEST = (
    b'Digest username="Mufasa", realm="http-auth@example.org", uri="/dir/index.html", algorithm=%s, '
    b'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", nc=00000001, cnonce="f2/wE4q74E6zIJEtWaHKaf5wv", '
    b'qop=auth, response="8ca523f5e9506fed4657c9700eebdbec", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
)
OFFER = (
    b'Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm=%s, '
    b'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
)


def head(*fields):
    return parse_head(b"HTTP/1.1 401 x\r\n" + b"".join(field + b"\r\n" for field in fields) + b"\r\n")


def read(octets, from_client, conversation=None):
    return parse_stream(Cursor(octets), from_client, conversation or Conversation())


def request(start, *fields, body=b""):
    length = [b"Content-Length: %d" % len(body)] if body else []
    return read(b"\r\n".join([start + b" HTTP/1.1", *fields, *length, b"", body]), True)


def response(start, *fields, body=b"", conversation=None):
    length = [b"Content-Length: %d" % len(body)]
    return read(b"\r\n".join([b"HTTP/1.1 " + start, *fields, *length, b"", body]), False, conversation)


@pytest.mark.parametrize(
    ("value", "algorithm"),
    [
        (DIGEST % b"MD5", "md5"),
        (DIGEST % b"SHA-256", "sha-256"),
        (OFFER % b"SHA-512-256", "sha-512-256"),
        (b'Digest realm="x", nonce="algorithm=SHA-256"', "md5"),
        (b'Digest realm="x"', "md5"),  # 3.3: where it is absent
        (b"Basic eA==", None),
        (b"", None),
    ],
)
def test_digest_algorithm(value, algorithm):
    assert digest_algorithm(value) == algorithm


def test_digest_credentials_keep_no_value():
    message = request(b"GET /dir/index.html", b"Authorization: " + DIGEST % b"SHA-256")

    assert (message.scheme, message.digest_algorithm) == ("digest", "sha-256")
    assert [one.kind for one in message.secrets] == ["user-name"]
    assert "Mufasa" not in repr(message)
    assert "8ca523f5" not in repr(message)


@pytest.mark.parametrize(
    ("fields", "schemes", "algorithms"),
    [
        # 3.9.1: the server offers both
        ([b"WWW-Authenticate: " + OFFER % b"SHA-256", b"WWW-Authenticate: " + OFFER % b"MD5"], ("digest",), ("sha-256", "md5")),
        # RFC 9110 11.6.1: two challenges in one field, the first of which has parameters
        ([b'WWW-Authenticate: Basic realm="simple", Newauth realm="apps", type=1, title="Login to \\"apps\\""'], ("basic", "newauth"), ()),
        ([b"WWW-Authenticate: Negotiate, " + OFFER % b"MD5"], ("negotiate", "digest"), ("md5",)),
        ([b'WWW-Authenticate: Bearer realm="a, Basic b"'], ("bearer",), ()),
        ([], (), ()),
    ],
)  # fmt: skip
def test_challenges(fields, schemes, algorithms):
    assert challenges_of(head(*fields)) == (schemes, algorithms)


@pytest.mark.parametrize(
    ("origin", "host", "expected"),
    [
        (b"http://lamp.example", b"lamp.example", False),
        (b"http://lamp.example", b"LAMP.example:80", False),
        (b"http://lamp.example:8080", b"lamp.example:8080", False),
        (b"http://lamp.example:8080", b"lamp.example", True),
        (b"http://[2001:db8::1]:81", b"[2001:db8::1]:81", False),
        (b"http://[2001:db8::1]", b"[2001:db8::1]:81", True),
        (b"https://pages.example", b"lamp.example", True),
        (b"null", b"lamp.example", True),
        (None, b"lamp.example", None),
        (b"http://lamp.example", None, None),
    ],
)
def test_origins(origin, host, expected):
    fields = [name + value for name, value in ((b"Origin: ", origin), (b"Host: ", host)) if value is not None]

    assert is_cross_origin(head(*fields)) is expected


def test_key_of_the_upgrade():  # RFC 6455 1.3: the example of key and accept
    key = b"dGhlIHNhbXBsZSBub25jZQ=="

    assert accepts_websocket(key, head(b"Sec-WebSocket-Accept: s3pPLMBiTxaQ9kYGzzhZRbK+xOo="))
    assert not accepts_websocket(key, head(b"Sec-WebSocket-Accept: s3pPLMBiTxaQ9kYGzzhZRbK+xOp="))
    assert not accepts_websocket(key, head())
    assert accepts_websocket(None, head()) is None


def test_cookies_by_name():
    asked = request(b"GET /", b"Cookie: theme=dark; session=f3a9c07be1d24568")
    said = response(b"200 OK", b"Set-Cookie: session=f3a9c07be1d24568; Path=/", b"Set-Cookie: lang=en")

    assert (asked.cookie_names, said.cookie_names) == (("theme", "session"), ("session", "lang"))
    assert [one.kind for one in (*asked.secrets, *said.secrets)] == ["token", "token"]
    assert "f3a9" not in repr((asked, said))


def test_pages_of_other_origins():
    asked = request(
        b"OPTIONS /state",
        b"Host: lamp.example",
        b"Origin: http://p.example",
        b"Access-Control-Request-Method: PUT",
    )
    said = response(
        b"204 No Content",
        b"Access-Control-Allow-Origin: http://p.example",
        b"Access-Control-Allow-Credentials: true",
        b"Access-Control-Allow-Methods: GET, PUT",
    )

    assert (asked.is_preflight, asked.is_cross_origin) == (True, True)
    assert (said.allow_origin, said.allow_credentials) == ("http://p.example", True)
    assert said.allow_methods == ("GET", "PUT")


@pytest.mark.parametrize(
    ("name", "suffix"),
    [
        (b'filename="fw.0.14.bin"', "bin"),
        (b"filename=update.BIN", "bin"),
        (b'filename=".htaccess"', ""),
        (b'filename="firmware"', ""),
        (b"filename*=UTF-8''neu.hex", "hex"),
    ],
)
def test_uploaded_files(name, suffix):
    body = (
        b'--x\r\nContent-Disposition: form-data; name="update"; ' + name
        + b"\r\nContent-Type: application/octet-stream\r\n\r\n\xe9\x01\r\n--x--\r\n"
    )  # fmt: skip
    message = request(b"POST /update", b"Content-Type: multipart/form-data; boundary=x", body=body)

    assert (message.uploads, message.body_keys, message.secrets) == ((suffix,), ("update",), ())


@pytest.mark.parametrize("framing", [b"Transfer-Encoding: chunked", b"Connection: close"])
def test_an_event_stream_is_told_at_once(framing):
    conversation = Conversation()
    asked = read(b"GET /events HTTP/1.1\r\nAccept: text/event-stream\r\n\r\n", True, conversation)
    first = b"HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\n" + framing + b"\r\n\r\n"
    said = read(first, False, conversation)

    assert (asked.accepts_events, said.is_event_stream, said.body_captured) == (True, True, False)
    assert said.length == len(first)
    if framing.endswith(b"chunked"):
        chunk = read(b'10\r\ndata: {"on":1}\n\n\r\n', False, conversation)
        assert (type(chunk), chunk.length) == (PassedOver, 22)
    else:
        assert conversation.server_finished


def test_calls_and_answers_of_json_rpc():
    asked = request(
        b"POST /rpc", body=b'{"jsonrpc": "2.0", "method": "subtract", "params": [42, 23], "id": 1}'
    )
    said = response(b"200 OK", body=b'{"jsonrpc": "2.0", "result": 19, "id": 1}')
    plain = request(b"POST /state", body=b'{"on": true}')

    assert (asked.rpc.method, said.rpc.has_result, plain.rpc) == ("subtract", True, None)
