"""
Application payloads of an invented household, built once from the field tables of their standards.

Sources: RFC 1035 section 4 (DNS), RFC 6762 and 6763 (announcements), RFC 2131 (DHCP), RFC 9112 (HTTP/1.1), MQTT 3.1.1
section 3.1, RFC 8446 section 4.1.2 (ClientHello); ANSI E1.31; the search protocol over HTTP in UDP as common practice.
"""

import struct
from collections.abc import Callable

VARIANTS = 16
"""Different payloads of each kind: so many names and lamps does the household know."""


def _name(text: str) -> bytes:
    return b"".join(bytes([len(label)]) + label.encode() for label in text.split(".")) + b"\0"


def _record(owner: bytes, kind: int, octets: bytes, *, lifetime: int = 120, cache_class: int = 1) -> bytes:
    return owner + struct.pack(">HHIH", kind, cache_class, lifetime, len(octets)) + octets


def dns_question(number: int) -> bytes:
    name = _name(f"host{number}.service{number % 13}.example")
    return struct.pack(">6H", number, 0x0100, 1, 0, 0, 0) + name + struct.pack(">HH", 1, 1)


def dns_answer(number: int) -> bytes:
    question = dns_question(number)[12:]
    alias = _record(b"\xc0\x0c", 5, _name(f"edge{number % 5}.example"), lifetime=300)
    addresses = b"".join(_record(b"\xc0\x0c", 1, bytes([203, 0, 113, last])) for last in (number, number + 1))
    return struct.pack(">6H", number, 0x8180, 1, 3, 0, 0) + question + alias + addresses


def announcement(number: int) -> bytes:
    service, host = _name("_lamp._tcp.local"), _name(f"lamp-{number:02d}.local")
    instance = bytes([7]) + b"lamp-%02d" % number + b"\xc0\x0c"
    texts = b"".join(bytes([len(text)]) + text for text in (b"id=%012x" % number, b"version=1.2", b"login=0"))
    return (
        struct.pack(">6H", 0, 0x8400, 0, 4, 0, 0)
        + _record(service, 12, instance, lifetime=4500)
        + _record(instance, 33, struct.pack(">HHH", 0, 0, 80) + host, cache_class=0x8001)
        + _record(instance, 16, texts, lifetime=4500, cache_class=0x8001)
        + _record(host, 1, bytes([192, 168, 1, number]), cache_class=0x8001)
    )


def dhcp_discover(number: int) -> bytes:
    fixed = struct.pack(">BBBBIHH", 1, 1, 6, 0, 0x1000 + number, 0, 0) + bytes(16)
    client = bytes([2, 0, 0, 0, 0, number]) + bytes(10) + bytes(192)
    options = b"\x63\x82\x53\x63\x35\x01\x01\x37\x04\x01\x03\x06\x0f\x0c\x07lamp-%02d\xff" % number
    return (fixed + client + options).ljust(300, b"\0")


def search_notice(number: int) -> bytes:
    return (
        b"NOTIFY * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nCACHE-CONTROL: max-age=100\r\n"
        b"LOCATION: http://192.168.1.%d/description.xml\r\nNTS: ssdp:alive\r\nNT: upnp:rootdevice\r\n"
        b"USN: uuid:00000000-0000-4000-8000-%012x::upnp:rootdevice\r\n\r\n" % (number, number)
    )


def http_request(number: int) -> bytes:
    body = b'{"on":true,"level":%d}' % number
    return (
        b"POST /state?x=%d HTTP/1.1\r\nHost: 192.168.1.%d\r\nAccept: application/json\r\n"
        b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n" % (number, number, len(body))
    ) + body


def mqtt_connect(number: int) -> bytes:
    client = b"lamp-%02d" % number
    has_login = number % 2 == 0
    body = b"\0\x04MQTT\x04" + (b"\xc2" if has_login else b"\x02") + b"\0\x3c"
    body += struct.pack(">H", len(client)) + client
    if has_login:
        body += b"\0\x04user\0\x06secret"
    return b"\x10" + bytes([len(body)]) + body


def client_hello(number: int) -> bytes:
    def extension(kind: int, octets: bytes) -> bytes:
        return struct.pack(">HH", kind, len(octets)) + octets

    name = b"cloud%d.example" % number
    extensions = (
        extension(0, struct.pack(">HBH", len(name) + 3, 0, len(name)) + name)
        + extension(10, b"\0\x02\0\x1d")
        + extension(13, b"\0\x04\x04\x03\x08\x04")
        + extension(16, b"\0\x09\x08http/1.1")
        + extension(43, b"\x04\x03\x04\x03\x03")
        + extension(51, struct.pack(">HHH", 36, 0x1D, 32) + bytes([number]) * 32)
    )
    suites = bytes.fromhex("130113021303c02bc02fc02cc030")
    body = b"\x03\x03" + bytes([number]) * 32 + b"\x20" + bytes(32)
    body += (
        struct.pack(">H", len(suites)) + suites + b"\x01\0" + struct.pack(">H", len(extensions)) + extensions
    )
    handshake = b"\x01" + struct.pack(">I", len(body))[1:] + body
    return b"\x16\x03\x01" + struct.pack(">H", len(handshake)) + handshake


def server_hello(number: int) -> bytes:
    """RFC 8446 section 4.1.3, then what looks like the rest of the handshake: one record of data."""
    extensions = bytes.fromhex("002b00020304") + bytes.fromhex("00330024001d0020") + bytes([number]) * 32
    body = b"\x03\x03" + bytes([number]) * 32 + b"\x20" + bytes(32) + b"\x13\x01\0"
    body += struct.pack(">H", len(extensions)) + extensions
    handshake = b"\x02" + struct.pack(">I", len(body))[1:] + body
    record = b"\x16\x03\x03" + struct.pack(">H", len(handshake)) + handshake
    return record + b"\x14\x03\x03\0\x01\x01" + b"\x17\x03\x03\x02\0" + bytes([number]) * 512


def http_answer(number: int) -> bytes:
    """Ten digits of the length are filled in for each connection, at ``LENGTH_OFFSET``."""
    return HTTP_BEFORE_LENGTH + b"0" * LENGTH_DIGITS + b'\r\nETag: "%02d"\r\n\r\n' % number


HTTP_BEFORE_LENGTH = b"HTTP/1.1 200 OK\r\nContent-Type: application/octet-stream\r\nContent-Length: "
LENGTH_OFFSET, LENGTH_DIGITS = len(HTTP_BEFORE_LENGTH), 10


def mqtt_accepted(number: int) -> bytes:
    return b"\x20\x02\0" + bytes([0 if number % 8 else 5])


def show_data(number: int) -> bytes:
    """ANSI E1.31-2018 section 4.1, table 4-1: one universe of 512 slots."""
    root = b"\0\x10\0\0ASC-E1.17\0\0\0" + struct.pack(">HI", 0x7000 | 622, 4) + bytes(15) + bytes([number])
    framing = struct.pack(">HI", 0x7000 | 600, 2) + b"source".ljust(64, b"\0")
    framing += struct.pack(">BHBBH", 100, 0, 0, 0, 1 + number % 16)
    layer = struct.pack(">HBBHHH", 0x7000 | 523, 2, 0xA1, 0, 1, 513) + b"\0" + bytes([number]) * 512
    return root + framing + layer


KINDS: dict[str, Callable[[int], bytes]] = {
    "dns-question": dns_question,
    "dns-answer": dns_answer,
    "announcement": announcement,
    "dhcp": dhcp_discover,
    "search": search_notice,
    "http": http_request,
    "mqtt": mqtt_connect,
    "tls": client_hello,
    "tls-answer": server_hello,
    "http-answer": http_answer,
    "mqtt-answer": mqtt_accepted,
    "show-data": show_data,
}

PREFIXES = {
    "tls": (b"\x17\x03\x03", 5),
    "mqtt": (b"\x30", 3),
}
"""How later segments begin: octets, and how many come before what the length counts (``length_octets``)."""

MQTT_TOPIC = b"\0\x0alamp/state"


def prefix(kind: str, size: int) -> bytes:
    """The beginning of a segment of ``size`` octets that is one record or one message, whole."""
    octets, header = PREFIXES[kind]
    inside = size - header
    if kind == "tls":
        return octets + struct.pack(">H", inside)
    # MQTT 3.1.1 section 2.2.3: two octets reach from 128 to 16,383.
    return octets + bytes([inside & 0x7F | 0x80, inside >> 7]) + MQTT_TOPIC
