"""
Messages from field values: DNS, mDNS, DHCP, NTP, MQTT, HTTP, SSDP, E1.31, Art-Net.

Standards are named at each function.  Written by hand so that recordings do not change with a library's version.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence

from tests.household.octets import is_ipv6, link, packed

A, PTR, TXT, AAAA, SRV = 1, 12, 16, 28, 33  # RFC 1035 3.2.2, RFC 3596, RFC 2782
IN, CACHE_FLUSH = 1, 0x8001  # RFC 6762 10.2
NOERROR, NXDOMAIN = 0, 3  # RFC 1035 4.1.1

Record = tuple[str, int, int, int, bytes]
"""Name, type, class, time to live in seconds, data."""


def dns_name(name: str) -> bytes:
    """Labels without compression (RFC 1035 3.1); a backslash keeps a dot inside a label."""
    labels = [label.replace("\0", ".") for label in name.replace("\\.", "\0").rstrip(".").split(".") if label]
    return b"".join(bytes([len(label.encode())]) + label.encode() for label in labels) + b"\0"


def dns(identifier: int, flags: int, questions: Sequence[tuple[str, int, int]] = (), answers: Sequence[Record] = (),
        additional: Sequence[Record] = ()) -> bytes:  # fmt: skip
    """A message (RFC 1035 section 4)."""
    head = struct.pack("!HHHHHH", identifier, flags, len(questions), len(answers), 0, len(additional))
    asked = b"".join(dns_name(name) + struct.pack("!HH", kind, klass) for name, kind, klass in questions)
    told = b"".join(
        dns_name(name) + struct.pack("!HHIH", kind, klass, ttl, len(data)) + data
        for name, kind, klass, ttl, data in [*answers, *additional]
    )
    return head + asked + told


def dns_query(identifier: int, name: str, kind: int = A) -> bytes:
    """A recursive query."""
    return dns(identifier, 0x0100, [(name, kind, IN)])


def dns_response(
    identifier: int, name: str, addresses: Sequence[str], kind: int = A, *, code: int = NOERROR
) -> bytes:
    """Its answer, or NXDOMAIN."""
    records = [(name, kind, IN, 300, packed(address)) for address in addresses]
    return dns(identifier, 0x8180 | code, [(name, kind, IN)], records)


def txt_data(entries: Sequence[str]) -> bytes:
    """Strings of a TXT record (RFC 6763 section 6)."""
    return b"".join(bytes([len(entry.encode())]) + entry.encode() for entry in entries) or b"\0"


def mdns_service(instance: str, service: str, host: str, addresses: Sequence[str], port: int, text: Sequence[str],
                 *, goodbye: bool = False) -> bytes:  # fmt: skip
    """An unsolicited announcement or goodbye (RFC 6762 8.3, 10.1; RFC 6763 section 4)."""
    host_ttl, other_ttl = (0, 0) if goodbye else (120, 4500)  # RFC 6762 section 10
    full = f"{instance.replace('.', chr(92) + '.')}.{service}.local"
    server = f"{host}.local"
    records: list[Record] = [
        (f"{service}.local", PTR, IN, other_ttl, dns_name(full)),
        (full, SRV, CACHE_FLUSH, host_ttl, struct.pack("!HHH", 0, 0, port) + dns_name(server)),
        (full, TXT, CACHE_FLUSH, other_ttl, txt_data(text)),
    ]
    records += [(server, AAAA if is_ipv6(a) else A, CACHE_FLUSH, host_ttl, packed(a)) for a in addresses]
    return dns(0, 0x8400, answers=records)


def mdns_probe(host: str, address: str) -> bytes:
    """Asks for ANY of its own name, with the address in the authority section (RFC 6762 8.1)."""
    body = dns(0, 0, [(f"{host}.local", 255, 0x8001)])
    record = dns_name(f"{host}.local") + struct.pack("!HHIH", A, IN, 120, 4) + packed(address)
    return body[:8] + struct.pack("!H", 1) + body[10:] + record


def dhcp(kind: int, transaction: int, client_link: str, *, your_address: str = "0.0.0.0", flags: int = 0,
         server: str = "0.0.0.0", client_address: str = "0.0.0.0", options: Sequence[tuple[int, bytes]] = ()) -> bytes:  # fmt: skip
    """A message (RFC 2131 section 2, options RFC 2132); ``kind`` is option 53."""
    operation = 1 if kind in {1, 3, 4, 7, 8} else 2
    head = struct.pack(
        "!BBBBIHH4s4s4s4s16s64s128s", operation, 1, 6, 0, transaction, 0, flags, packed(client_address),
        packed(your_address), packed(server), packed("0.0.0.0"), link(client_link), b"", b"",
    )  # fmt: skip
    every = [(53, bytes([kind])), *options]
    body = b"".join(bytes([code, len(data)]) + data for code, data in every)
    return (head + bytes.fromhex("63825363") + body + b"\xff").ljust(300, b"\0")  # RFC 1542 2.1: at least 300


NTP_EPOCH = 2_208_988_800  # seconds from 1900 to 1970 (RFC 5905 section 6)


def ntp(mode: int, time_ns: int) -> bytes:
    """Client (3) or server (4), version 4 (RFC 5905 7.3)."""
    seconds, rest = divmod(time_ns, 1_000_000_000)
    stamp = struct.pack("!II", seconds + NTP_EPOCH, (rest << 32) // 1_000_000_000)
    if mode == 3:
        return bytes([0x23]) + bytes(39) + stamp
    return bytes([0x24, 2, 6, 0xEC]) + struct.pack("!II", 0x0100, 0x0200) + packed("192.0.2.123") + stamp * 4


def mqtt_string(text: str | bytes) -> bytes:
    """A length of two octets and the octets (MQTT 3.1.1 1.5.3)."""
    octets = text.encode() if isinstance(text, str) else text
    return struct.pack("!H", len(octets)) + octets


def mqtt_packet(first: int, body: bytes) -> bytes:
    """Fixed header (MQTT 3.1.1 2.2) and body."""
    length, remaining = b"", len(body)
    while True:
        remaining, low = divmod(remaining, 128)
        length += bytes([low | (0x80 if remaining else 0)])
        if not remaining:
            return bytes([first]) + length + body


def mqtt_connect(
    client: str, user: str | None = None, password: str | None = None, *, level: int = 4
) -> bytes:
    """MQTT 3.1.1 3.1; level 5 adds an empty property list."""
    flags = 0x02 | (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    properties = b"\0" if level == 5 else b""
    body = (
        mqtt_string("MQTT") + bytes([level, flags]) + struct.pack("!H", 60) + properties + mqtt_string(client)
    )
    for value in (user, password):
        if value is not None:
            body += mqtt_string(value)
    return mqtt_packet(0x10, body)


def mqtt_connack(code: int = 0) -> bytes:
    """MQTT 3.1.1 3.2: 0 accepted, 4 bad user name or password, 5 not authorised."""
    return mqtt_packet(0x20, bytes([0, code]))


def mqtt_publish(topic: str, payload: bytes) -> bytes:
    """QoS 0 (MQTT 3.1.1 3.3)."""
    return mqtt_packet(0x30, mqtt_string(topic) + payload)


def mqtt_subscribe(identifier: int, topic: str) -> bytes:
    """MQTT 3.1.1 3.8."""
    return mqtt_packet(0x82, struct.pack("!H", identifier) + mqtt_string(topic) + b"\0")


def mqtt_suback(identifier: int) -> bytes:
    """MQTT 3.1.1 3.9."""
    return mqtt_packet(0x90, struct.pack("!HB", identifier, 0))


Body = bytes | Mapping[str, object] | None


def http_request(method: str, target: str, host: str, body: Body = None, **fields: str) -> bytes:
    """A request (RFC 9112 section 3); a mapping becomes JSON; field names are written with ``_`` for ``-``."""
    return _http(f"{method} {target} HTTP/1.1", {"Host": host, **fields}, body)


def http_response(status: int, body: Body = b"", **fields: str) -> bytes:
    """A response (RFC 9112 section 4)."""
    reasons = {200: "OK", 204: "No Content", 401: "Unauthorized", 403: "Forbidden", 404: "Not Found"}
    return _http(f"HTTP/1.1 {status} {reasons.get(status, 'Status')}", dict(fields), body)


def _http(first_line: str, fields: dict[str, str], body: Body) -> bytes:
    octets = b""
    if body is not None:
        if isinstance(body, Mapping):
            octets = json.dumps(body, separators=(",", ":")).encode()
            fields.setdefault("Content_Type", "application/json")
        else:
            octets = body
        fields["Content_Length"] = str(len(octets))
    lines = [first_line, *(f"{name.replace('_', '-')}: {value}" for name, value in fields.items())]
    return "\r\n".join([*lines, "", ""]).encode() + octets


def ssdp_search(target: str) -> bytes:
    """UPnP Device Architecture 2.0 1.3.2 (from memory)."""
    lines = [
        "M-SEARCH * HTTP/1.1",
        "HOST: 239.255.255.250:1900",
        'MAN: "ssdp:discover"',
        "MX: 2",
        f"ST: {target}",
    ]
    return "\r\n".join([*lines, "", ""]).encode()


def e131(universe: int, sequence: int, levels: bytes, *, priority: int = 100, source: str = "show computer",
         cid: bytes = bytes(range(16))) -> bytes:  # fmt: skip
    """A data packet (ANSI E1.31-2018 section 4, table 4-1)."""
    slots = b"\0" + levels
    dmp = bytes([0x02, 0xA1, 0, 0, 0, 1]) + struct.pack("!H", len(slots)) + slots
    dmp = struct.pack("!H", 0x7000 | (len(dmp) + 2)) + dmp
    frame = struct.pack("!I64sBHBBH", 2, source.encode(), priority, 0, sequence & 0xFF, 0, universe) + dmp
    frame = struct.pack("!H", 0x7000 | (len(frame) + 2)) + frame
    root = struct.pack("!I16s", 4, cid) + frame
    root = struct.pack("!H", 0x7000 | (len(root) + 2)) + root
    return struct.pack("!HH12s", 0x10, 0, b"ASC-E1.17\0\0\0") + root


def artnet_dmx(universe: int, sequence: int, levels: bytes) -> bytes:
    """ArtDmx (Art-Net 4, from memory and open-source libraries)."""
    return b"Art-Net\0" + struct.pack("<H", 0x5000) + struct.pack(
        "!HBB", 14, sequence & 0xFF, 0
    ) + struct.pack("<H", universe) + struct.pack("!H", len(levels)) + levels  # fmt: skip
