"""
Vectors: RFC 7617 sections 2 and 2.1 (tests/vectors/http), RFC 9112 section 7.1, RFC 9110 section 3.9.
Oracle: h11 (MIT), a general-purpose HTTP/1 library; where both accept, both read the same.
"""

import gzip
import random
import re

import h11
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.dissect.message import PassedOver
from auditor.dissect.protocols.http import HttpRequest, HttpResponse, client_speaks, looks_like, parse_stream
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax.http_body import MAX_BODY_KEPT
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.unit.dissect.vectors import vector

RUN_KEY = b"one run"


def request(octets, conversation=None, ended=False):
    conversation = conversation or Conversation()
    conversation.ended = ended
    return parse_stream(Cursor(octets), True, conversation)


def response(octets, conversation=None, ended=False):
    conversation = conversation or Conversation()
    conversation.ended = ended
    return parse_stream(Cursor(octets), False, conversation)


def get(target=b"/", *fields):
    return request(
        b"GET " + target + b" HTTP/1.1\r\n" + b"".join(field + b"\r\n" for field in fields) + b"\r\n"
    )


def sightings(message):
    return [(one.kind, one.place, one.field) for one in message.secrets]


def same(one, value):
    return one.secret.fingerprint(RUN_KEY) == Secret(value).fingerprint(RUN_KEY)


def test_basic_credentials_of_the_standard():
    message = request(vector("http/http-basic-aladdin"))

    assert (message.method, message.path, message.host) == ("GET", "/", "server.example.com")
    assert message.scheme == "basic"
    assert sightings(message) == [
        ("user-name", "http-basic", "authorization"),
        ("password", "http-basic", "authorization"),
    ]
    assert same(message.secrets[0], b"Aladdin")
    assert same(message.secrets[1], b"open sesame")
    assert "Aladdin" not in repr(message)
    assert "sesame" not in repr(message)
    assert "QWxh" not in repr(message)


def test_basic_credentials_in_utf8():
    message = get(b"/", vector("http/http-basic-utf8").strip())

    assert [
        same(one, value) for one, value in zip(message.secrets, [b"test", "123£".encode()], strict=True)
    ] == [True] * 2


def test_a_message_of_the_standard():  # RFC 9110 section 3.9, with other products
    sent = (
        b"GET /hello.txt HTTP/1.1\r\nUser-Agent: reader/7.64.1\r\nHost: www.example.com\r\n"
        b"Accept-Language: en, mi\r\n\r\n"
    )
    answer = (
        b"HTTP/1.1 200 OK\r\nDate: Mon, 27 Jul 2009 12:28:53 GMT\r\nServer: lamp/2.1\r\n"
        b"Last-Modified: Wed, 22 Jul 2009 19:15:56 GMT\r\n"
        b'ETag: "34aa387-d-1568eb00"\r\nAccept-Ranges: bytes\r\nContent-Length: 51\r\nVary: Accept-Encoding\r\n'
        b"Content-Type: text/plain\r\n\r\nHello World! My content includes a trailing CRLF.\r\n"
    )
    asked, said = request(sent), response(answer)

    assert (asked.method, asked.path, asked.host, asked.user_agent) == (
        "GET",
        "/hello.txt",
        "www.example.com",
        "reader/7.64.1",
    )
    assert (said.status, said.server, said.content_type, said.content_length) == (
        200,
        "lamp/2.1",
        "text/plain",
        51,
    )
    assert said.body_captured
    assert (asked.length, said.length) == (len(sent), len(answer))


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        (
            [b"Authorization: Bearer mF_9.B5f-4.1JqM"],
            [("token", "http-bearer", "authorization")],
        ),  # RFC 6750 2.1
        ([b"X-Api-Key: 0123456789"], [("token", "http-header", "x-api-key")]),
        ([b"X-Auth-Token: abc"], [("token", "http-header", "x-auth-token")]),
        ([b"Cookie: lang=en; session=abcd; theme=1"], [("token", "http-cookie", "session")]),
        ([b'Authorization: Digest username="anna", realm="a"'], [("user-name", "http-header", "username")]),
        ([b"Authorization: Basic !!!"], []),
        ([b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ=="], []),  # RFC 6455 1.3: a nonce
        ([b"Cookie: lang=en"], []),
    ],
)
def test_credentials_in_fields(fields, expected):
    assert sightings(get(b"/", *fields)) == expected


@pytest.mark.parametrize(
    ("target", "path", "keys", "expected"),
    [
        (b"/win?T=1&A=20", "/win", ("T", "A"), []),
        (b"/set?password=p1&user=u", "/set", ("password", "user"), ["password", "user-name"]),
        (b"/api/1028d66426293e821ecfd9ef1a0731df/lights", "/api/*/lights", (), ["token"]),
        (b"/a;token=xyz/b", "/*/b", (), ["token"]),
        (b"/d/3f2504e0-4f89-41d3-9a0c-0305e82c3301/x", "/d/*/x", (), []),
        (b"http://anna:pw@lamp.example:81/state?x=1", "/state", ("x",), ["user-name", "password"]),
        (b"/cfg?ssid=n&psk=w%20w", "/cfg", ("ssid", "psk"), ["wifi-passphrase"]),
        (b"*", "*", (), []),
    ],
)
def test_targets_are_kept_without_what_is_secret(target, path, keys, expected):
    message = get(target)

    assert (message.path, message.query_keys) == (path, keys)
    assert [one.kind for one in message.secrets] == expected
    assert not re.search("1028d664|xyz|pw@|w w|p1", repr(message))


def test_absolute_form_takes_precedence_over_host():  # RFC 9112 3.2.2
    assert get(b"http://Lamp.example:8080/a", b"Host: other.example").host == "lamp.example"


@pytest.mark.parametrize(
    ("field", "host"),
    [
        (b"Host: LAMP.example:80", "lamp.example"),
        (b"Host: [2001:db8::1]:80", "2001:db8::1"),
        (b"Host:", None),
    ],
)
def test_host_stands_without_its_port(field, host):
    assert get(b"/", field).host == host


def test_a_json_body_gives_its_keys():
    body = b'{"on":true,"wifi":{"ssid":"n","pass":"w"}}'
    octets = (
        b"POST /json HTTP/1.1\r\nContent-Type: application/json; charset=utf-8\r\nContent-Length: 42\r\n\r\n"
        + body
    )

    message = request(octets)
    assert message.content_type == "application/json"
    assert message.body_keys == ("on", "wifi", "wifi.ssid", "wifi.pass")
    assert sightings(message) == [("wifi-passphrase", "http-json", "pass")]
    assert message.body_captured
    for end in range(len(octets)):
        with pytest.raises(TruncatedError):
            request(octets[:end])


def test_a_form_body_gives_its_names():
    message = request(
        b"POST /settings HTTP/1.0\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 18\r\n\r\n"
        b"ssid=n&passwd=x%20"
    )

    assert (message.version, message.body_keys) == ("1.0", ("ssid", "passwd"))
    assert sightings(message) == [("wifi-passphrase", "http-form", "passwd")]


def test_chunks_of_the_standard():  # RFC 9112 7.1: extensions and trailers may be there
    octets = (
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\nContent-Type: application/json\r\n\r\n"
        b'5;a=b\r\n{"on"\r\n6\r\n:true}\r\n0\r\nTrailer: x\r\n\r\n'
    )

    message = response(octets + b"HTTP/1.1")
    assert (message.body_keys, message.length, message.content_length) == (("on",), len(octets), 11)
    for end in range(len(octets)):
        with pytest.raises(TruncatedError):
            response(octets[:end])


def test_a_long_chunked_body_is_passed_over_chunk_by_chunk():
    chunk = b"1000\r\n" + b"a" * 4096 + b"\r\n"
    octets = (
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"
        + chunk * 20
        + b"0\r\n\r\n"
        + b"HTTP/1.1 204 No\r\n\r\n"
    )
    conversation, position, messages = Conversation(), 0, []
    while position < len(octets):
        message = response(octets[position : position + 3 * MAX_BODY_KEPT], conversation)
        position += message.length
        messages.append(message)

    assert position == len(octets)
    assert [m.status for m in messages if isinstance(m, HttpResponse)] == [200, 204]
    assert not messages[0].body_captured


def test_a_body_beyond_the_bound_is_passed_over_unseen():
    octets = b"POST /update HTTP/1.1\r\nContent-Length: 5000000\r\n\r\n" + b"x" * MAX_BODY_KEPT

    message = request(octets)
    assert message.length == len(octets) - MAX_BODY_KEPT + 5_000_000
    assert not message.body_captured


def test_a_body_that_ends_with_the_connection():  # RFC 9112 6.3 item 8
    octets = b"HTTP/1.0 200 OK\r\nContent-Type: text/html\r\n\r\n<html><title>Shelf\n light</title>"
    with pytest.raises(TruncatedError):
        response(octets)

    conversation = Conversation()
    message = response(octets, conversation, ended=True)
    assert (message.title, message.body_captured, message.length) == ("Shelf light", True, len(octets))
    assert conversation.server_finished


def test_a_body_that_was_cut_short_still_gives_its_message():
    message = request(b'PUT /a HTTP/1.1\r\nContent-Length: 100\r\n\r\n{"on":', ended=True)

    assert (message.method, message.body_captured, message.body_keys) == ("PUT", False, ("on",))


@pytest.mark.parametrize("status", [b"204 No Content", b"304 Not Modified"])
def test_answers_without_body_whatever_their_fields_say(status):  # RFC 9112 6.3 item 1
    octets = b"HTTP/1.1 " + status + b"\r\nContent-Length: 10\r\n\r\n"

    assert response(octets + b"HTTP/1.1 200 OK").length == len(octets)


def test_an_answer_to_head_has_no_body():  # RFC 9110 9.3.2
    conversation = Conversation()
    request(b"HEAD / HTTP/1.1\r\n\r\n", conversation)
    octets = b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n"

    message = response(octets, conversation)
    assert (message.length, message.content_length) == (len(octets), 0)


def test_interim_answers_are_passed_over():  # RFC 9110 15.2
    assert isinstance(response(b"HTTP/1.1 100 Continue\r\n\r\n"), PassedOver)


def test_a_switch_of_protocols_hands_the_stream_over():  # RFC 9110 15.2.2, RFC 6455 1.3
    conversation = Conversation()
    asked = request(
        b"GET /ws HTTP/1.1\r\nUpgrade: WebSocket\r\nConnection: Upgrade\r\nOrigin: http://a.example\r\n\r\n",
        conversation,
    )
    said = response(b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: websocket\r\n\r\n\x81\x05", conversation)

    assert (asked.upgrade, asked.origin, said.status) == ("websocket", "http://a.example", 101)
    assert conversation.next_protocol == "websocket"


def test_what_an_answer_discloses():
    message = response(
        b'HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Digest realm="x", Basic realm="y"\r\n'
        b"Access-Control-Allow-Origin: *\r\nSet-Cookie: sid=secret1; Path=/\r\n"
        b"Location: http://u:p@login.example:81/next?token=secret2\r\nContent-Length: 0\r\n\r\n"
    )

    assert (message.challenge, message.allow_origin, message.sets_cookie) == ("digest", "*", True)
    assert message.location == "login.example:81"
    assert sightings(message) == [("token", "http-cookie", "sid")]
    assert not re.search("secret[12]", repr(message))


def test_a_compressed_body_is_read():
    body = gzip.compress(b'{"info":{"ver":"1"}}')
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Encoding: gzip\r\nContent-Length: "

    assert response(head + str(len(body)).encode() + b"\r\n\r\n" + body).body_keys == ("info", "info.ver")


def test_a_decompression_bomb_is_bounded():
    body = gzip.compress(b" " * 50_000_000)[:MAX_BODY_KEPT]
    octets = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Encoding: gzip\r\n\r\n" + body

    assert response(octets, ended=True).body_keys == ()


@pytest.mark.parametrize(
    ("octets", "error"),
    [
        pytest.param(
            b"GET / HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
            MalformedError,
            id="two-lengths",
        ),
        pytest.param(b"GET / HTTP/1.1\r\nContent-Length: -1\r\n\r\n", MalformedError, id="negative-length"),
        pytest.param(
            b"GET / HTTP/1.1\r\nContent-Length: " + b"9" * 60 + b"\r\n\r\n", LimitError, id="huge-length"
        ),
        pytest.param(
            b"GET / HTTP/1.1\r\nTransfer-Encoding: gzip\r\n\r\n", MalformedError, id="unknown-coding"
        ),
        pytest.param(
            b"GET / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n", MalformedError, id="bad-chunk"
        ),
        pytest.param(
            b"GET / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n" + b"1;" + b"a" * 9000,
            LimitError,
            id="chunk-line",
        ),
        pytest.param(b"GET /\r\n\r\n", MalformedError, id="version-0.9"),
        pytest.param(b"GET / HTTP/2.0\r\n\r\n", MalformedError, id="version-2"),
        pytest.param(b"GET / RTSP/1.0\r\n\r\n", MalformedError, id="other-protocol"),
    ],
)
def test_hostile_heads(octets, error):
    with pytest.raises(error):
        request(octets)


def test_who_speaks():
    assert client_speaks(b"GET / HTTP/1.1")
    assert not client_speaks(b"HTTP/1.1 200 OK")
    assert looks_like(b"M-SEARCH * HTTP/1.1\r\n")
    assert looks_like(b"CONNECT a.example:443 HTTP/1.1\r\n")


@pytest.mark.parametrize(
    "octets",
    [
        b"",
        b"GET",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",  # RFC 9113 3.4
        b"OPTIONS rtsp://a RTSP/1.0\r\n",
        b"INVITE sip:bob@example RTSP",
        b"SSH-2.0-x\r\n",
        b"\x16\x03\x01\x00\xc4\x01",
        b"220 mail.example ESMTP\r\n",
        b"HELO mail.example\r\n",
    ],
)
def test_other_protocols_are_not_claimed(octets):
    assert not looks_like(octets)


def test_random_octets_are_not_claimed():
    # Drawn here and not by hypothesis, which mixes in the constants of the module under test.
    noise = random.Random(7)
    for _ in range(20_000):
        assert not looks_like(noise.randbytes(noise.randint(1, 64)))


# -- differential: where h11 accepts, both read the same

METHODS = st.sampled_from(["GET", "PUT", "POST", "HEAD", "DELETE", "M-SEARCH"])
TARGETS = st.text("abc/?=&.-~:", max_size=12).map(lambda text: "/" + text)
BODIES = st.binary(max_size=40)
FIELDS = st.lists(
    st.tuples(st.sampled_from(["X-A", "Accept", "Via"]), st.text("abc,; =", max_size=8)), max_size=3
)


@settings(max_examples=100)
@given(METHODS, TARGETS, FIELDS, BODIES, st.booleans(), st.sampled_from(["1.0", "1.1"]), st.integers(1, 9))
def test_reads_requests_as_another_library_does(method, target, fields, body, chunked, version, size):
    lines = "".join(f"{name}: {value.strip()}\r\n" for name, value in fields)
    if chunked and version == "1.1":
        framing, wire = "Transfer-Encoding: chunked", chunks_of(body, size)
    else:
        framing, wire = f"Content-Length: {len(body)}", body
    octets = f"{method} {target} HTTP/{version}\r\nHost: a\r\n{framing}\r\n{lines}\r\n".encode() + wire
    ours = request(octets)
    theirs = h11.Connection(h11.SERVER)
    theirs.receive_data(octets)
    event, received = theirs.next_event(), b""
    assert isinstance(event, h11.Request)
    while isinstance(step := theirs.next_event(), h11.Data):
        received += step.data
    assert isinstance(step, h11.EndOfMessage)

    assert ours.method.encode() == event.method
    assert ours.version.encode() == event.http_version
    assert ours.content_length == len(received) == len(body)
    assert ours.length == len(octets) - len(theirs.trailing_data[0])


@settings(max_examples=100)
@given(
    st.sampled_from([200, 204, 301, 304, 401, 404, 500]),
    FIELDS,
    BODIES,
    st.sampled_from(["length", "chunked", "close"]),
    st.integers(1, 9),
)
def test_reads_responses_as_another_library_does(status, fields, body, framing, size):
    lines = "".join(f"{name}: {value.strip()}\r\n" for name, value in fields)
    if status in (204, 304):
        body = b""
    wire = body
    if framing == "length":
        lines += f"Content-Length: {len(body)}\r\n"
    elif framing == "chunked":
        lines += "Transfer-Encoding: chunked\r\n"
        wire = b"" if status in (204, 304) else chunks_of(body, size)
    octets = f"HTTP/1.1 {status} Any\r\n{lines}\r\n".encode() + wire
    ours = response(octets, ended=True)
    theirs = h11.Connection(h11.CLIENT)
    theirs.send(h11.Request(method="GET", target="/", headers=[("Host", "a")]))
    theirs.send(h11.EndOfMessage())
    theirs.receive_data(octets)
    event, received = theirs.next_event(), b""
    assert isinstance(event, h11.Response)
    if framing == "close":
        theirs.receive_data(b"")
    while isinstance(step := theirs.next_event(), h11.Data):
        received += step.data
    assert isinstance(step, h11.EndOfMessage)

    assert ours.status == event.status_code
    assert received == body
    assert ours.length == len(octets)
    assert ours.body_captured


def chunks_of(body, size):
    parts = [body[i : i + size] for i in range(0, len(body), size)]
    return b"".join(f"{len(part):x}\r\n".encode() + part + b"\r\n" for part in parts) + b"0\r\n\r\n"


PIECES = st.sampled_from(
    [
        b"GET / HTTP/1.1",
        b"HTTP/1.1 200 OK",
        b"\r\n",
        b"Content-Length: 3",
        b"Transfer-Encoding: chunked",
        b"0",
        b"\xff",
        b":",
        b"Cookie: sid=a",
    ]
)


@settings(max_examples=100)
@given(st.lists(PIECES | st.binary(max_size=8), max_size=14).map(b"".join), st.booleans(), st.booleans())
def test_any_octets_give_a_message_or_a_decode_error(octets, from_client, ended):
    conversation = Conversation()
    conversation.ended = ended
    try:
        message = parse_stream(Cursor(octets), from_client, conversation)
    except DecodeError:
        return
    assert message.length > 0
    assert isinstance(message, HttpRequest | HttpResponse | PassedOver)
