"""
A family's evening in which private words stand wherever a recording, its file or a home file can hold one.

Every word belongs to somebody else than the light that is judged, or is a secret.
Formats: RFC 1001 14.1 and RFC 1002 4.2 (NetBIOS names), RFC 4795 (LLMNR), IEEE 802.1AB-2016 section 8 (LLDP), UPnP
         Device Architecture 2.0 section 2 (descriptions), OASIS WS-Discovery 1.1 section 5, RFC 959, RFC 854, RFC 2326,
         draft-ietf-opsawg-pcapng sections 3.5, 4.2 and 4.3 (options).
"""

from __future__ import annotations

import base64
import struct
from pathlib import Path

from auditor.capture.record import InterfaceFacts
from auditor.capture.writer import PacketRecord, PcapngWriter
from tests.builders import Recording
from tests.household import air, gadget_messages, messages, octets
from tests.household.home import HUB, LAPTOP, LIGHT, PHONE, ROUTER, Host
from tests.household.messages import http_request, http_response
from tests.household.sessions import transcript
from tests.household.stories import app_control

EACH = 4
PLACES = (
    *(
        "query",
        "answer",
        "reverse",
        "mdnshost",
        "instance",
        "txtkey",
        "txtvalue",
        "lease",
        "client",
        "domain",
    ),
    *("netbios", "llmnr", "lldpname", "lldptext", "ssdp", "upnp", "wsd", "ssid", "cookie", "path", "header"),
    *(
        "body",
        "basic",
        "form",
        "bearer",
        "agent",
        "mqttuser",
        "mqttid",
        "topic",
        "will",
        "ftp",
        "telnet",
        "rtsp",
    ),
    *("sni", "cert", "coap", "raw", "note", "section", "aboutif", "ifname", "iftext", "filter", "hardware"),
    *("system", "nick", "reason", "action"),
)
"""Where a word stands; ``aboutif`` is a comment on an interface, ``note`` one on a packet."""


def words(place: str) -> list[str]:
    """The words of one place; at most fifteen octets, which is what a NetBIOS name holds."""
    assert place in PLACES
    return [f"{place}{number}zrobin" for number in range(EACH)]


PLANTED = [word for place in PLACES for word in words(place)]
TABLET = Host("tablet", "02:00:5e:77:66:55", "192.168.77.177", "fd00:77::5eff:fe77:6655")
ADDRESSES = [
    text
    for host in (TABLET, PHONE, LAPTOP, HUB, ROUTER)
    for text in (host.link, host.link.replace(":", "-"), host.link.replace(":", ""), host.ipv4)
] + [TABLET.ipv6, "5eff:fe77:6655"]
OUTSIDE = Host("music.example", ipv4="203.0.113.66", hops_away=9)


def netbios_encoded(name: str) -> bytes:
    """RFC 1001 section 14.1: sixteen octets, each as two letters."""
    padded = name.upper().encode().ljust(15) + b"\0"
    return bytes(half for octet in padded for half in (0x41 + (octet >> 4), 0x41 + (octet & 15)))


def basic(word: str) -> str:
    """RFC 7617 section 2, with the word as user name and password."""
    return base64.b64encode(f"{word}:{word}".encode()).decode()


def tell(recording: Recording) -> None:
    """The evening, from the lamp's first minute."""
    for number in range(EACH):
        _names(recording, {place: words(place)[number] for place in PLACES})
        _web(recording, {place: words(place)[number] for place in PLACES})
        _logins(recording, {place: words(place)[number] for place in PLACES})
    app_control(recording, PHONE, LIGHT)


def _names(made: Recording, word: dict[str, str]) -> None:
    outside = Host(f"{word['query']}.example", ipv4=OUTSIDE.ipv4, hops_away=9)
    made.note(f"{word['note']}: music from the tablet")
    made.dns_lookup(TABLET, outside.name, [outside.ipv4])
    made.note(f"action: {word['action']}")
    asked = "177.77.168.192.in-addr.arpa"
    told = (asked, messages.PTR, messages.IN, 300, messages.dns_name(f"{word['reverse']}.lan"))
    alias = (outside.name, 5, messages.IN, 300, messages.dns_name(f"{word['answer']}.example"))
    for host in (TABLET, LIGHT):  # a chosen device's question about another host names that host as well
        response = messages.dns(7, 0x8180, [(asked, messages.PTR, messages.IN)], [told])
        made.datagram(ROUTER, host, (53, 50_500), response)
    response = messages.dns(8, 0x8180, [(outside.name, messages.A, messages.IN)], [alias])
    made.datagram(ROUTER, TABLET, (53, 50_501), response)
    host = Host(word["mdnshost"], TABLET.link, TABLET.ipv4, TABLET.ipv6)
    text = (f"{word['txtkey']}=1", f"owner={word['txtvalue']}")
    made.mdns_announce(host, "_http._tcp", 8009, text, instance=word["instance"])
    made.dhcp_lease(TABLET, hostname=word["lease"], vendor_class=word["client"])
    lease = [
        (61, b"\0" + word["client"].encode()),
        (12, word["lease"].encode()),
        (15, word["domain"].encode()),
    ]
    for link in (TABLET, LIGHT):  # the domain is what the router calls the home
        body = messages.dhcp(5, 9, link.link, your_address=link.ipv4, server=ROUTER.ipv4, options=lease[2:])
        made.datagram(ROUTER, link, (67, 68), body)
    made.group_datagram(TABLET, "192.168.77.255", (68, 67), messages.dhcp(1, 9, TABLET.link, options=lease))
    name = b"\x20" + netbios_encoded(word["netbios"]) + b"\0"
    record = name + struct.pack("!HHIHH", 0x20, 1, 300, 6, 0) + octets.packed(TABLET.ipv4)
    registration = struct.pack("!HHHHHH", 7, 0x2910, 1, 0, 0, 1) + name + struct.pack("!HH", 0x20, 1) + record
    made.group_datagram(TABLET, "192.168.77.255", (137, 137), registration)
    made.group_datagram(TABLET, "224.0.0.252", (50_502, 5355), messages.dns(3, 0, [(word["llmnr"], 1, 1)]))
    system = [(1, b"\x04" + octets.link(TABLET.link)), (2, b"\x07port"), (3, struct.pack("!H", 120))]
    system += [(5, word["lldpname"].encode()), (6, word["lldptext"].encode()), (4, word["lldptext"].encode())]
    frame = b"".join(struct.pack("!H", kind << 9 | len(value)) + value for kind, value in [*system, (0, b"")])
    made.frame(TABLET.link, "01:80:c2:00:00:0e", 0x88CC, frame)
    notify = (
        f"NOTIFY * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nNT: upnp:rootdevice\r\nNTS: ssdp:alive\r\n"
        f"USN: uuid:{word['ssdp']}::upnp:rootdevice\r\nSERVER: {word['ssdp']}/1.0\r\n"
        f"LOCATION: http://{TABLET.ipv4}:8010/{word['ssdp']}.xml\r\n\r\n"
    )
    made.group_datagram(TABLET, "239.255.255.250", (1900, 1900), notify.encode(), hop_limit=2)
    description = (
        '<?xml version="1.0"?><root xmlns="urn:schemas-upnp-org:device-1-0"><device>'
        f"<deviceType>urn:schemas-upnp-org:device:Basic:1</deviceType><friendlyName>{word['upnp']}</friendlyName>"
        f"<manufacturer>{word['upnp']}</manufacturer><UDN>uuid:{word['upnp']}</UDN></device></root>"
    )
    for asks in (PHONE, LIGHT):
        request = http_request("GET", "/description.xml", TABLET.ipv4)
        answer = http_response(200, description.encode(), **{"Content-Type": "text/xml"})
        made.http_exchange(asks, TABLET, request, answer, port=8010)
    hello = (
        '<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" '
        'xmlns:a="http://www.w3.org/2005/08/addressing" '
        'xmlns:d="http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01"><s:Header>'
        "<a:Action>http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01/Hello</a:Action></s:Header><s:Body><d:Hello>"
        f"<a:EndpointReference><a:Address>urn:uuid:{word['wsd']}</a:Address></a:EndpointReference>"
        f"<d:Scopes>http://{word['wsd']}.example/</d:Scopes><d:XAddrs>http://{TABLET.ipv4}/{word['wsd']}</d:XAddrs>"
        "</d:Hello></s:Body></s:Envelope>"
    )
    made.group_datagram(TABLET, "239.255.255.250", (50_503, 3702), hello.encode(), hop_limit=1)
    made.air(air.beacon(TABLET.link, word["ssid"], is_open=True))
    made.air(air.association_request(PHONE.link, ROUTER.link, word["ssid"], is_open=False))


def _web(made: Recording, word: dict[str, str]) -> None:
    fields = {
        "Cookie": f"id={word['cookie']}",
        "Referer": f"http://{word['header']}/",
        "User-Agent": word["agent"],
    }
    target = f"/{word['path']}?who={word['path']}"
    made.http_exchange(TABLET, HUB, http_request("GET", target, "news.example", None, **fields),
                       http_response(200, {"owner": word["body"]}), port=8080)  # fmt: skip
    made.http_exchange(TABLET, OUTSIDE, http_request("GET", target, OUTSIDE.name, None, **fields),
                       http_response(200, {"owner": word["body"]}, **{"Set-Cookie": f"a={word['cookie']}"}))  # fmt: skip
    made.http_exchange(PHONE, LIGHT, http_request("GET", "/json/info", LIGHT.ipv4, None, **fields),
                       http_response(200, {}))  # fmt: skip
    login = http_request("POST", "/json/state", LIGHT.ipv4, {"password": word["basic"]},
                         Authorization=f"Basic {basic(word['basic'])}")  # fmt: skip
    made.http_exchange(PHONE, LIGHT, login, http_response(200, {}))
    token = http_request("GET", "/json/state", LIGHT.ipv4, None, Authorization=f"Bearer {word['bearer']}")
    made.http_exchange(PHONE, LIGHT, token, http_response(200, {"on": True}))
    form = f"user={word['form']}&password={word['form']}".encode()
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    for host, port in ((LIGHT, 80), (HUB, 8080)):
        asked = http_request("POST", "/login", host.ipv4, form, **kind)
        made.http_exchange(PHONE, host, asked, http_response(200, {}), port=port)
    made.tls_session(TABLET, OUTSIDE, transcript(f"{word['sni']}.example", version="1.3"))
    pieces = transcript(
        OUTSIDE.name, version="1.2", certificate_name=f"{word['cert']}.example", self_signed=True
    )
    made.tls_session(TABLET, OUTSIDE, pieces)


def _logins(made: Recording, word: dict[str, str]) -> None:
    for host, client in ((TABLET, word["mqttid"]), (LIGHT, "lamp")):
        broker = made.connect(host, HUB, 1883)
        body = messages.mqtt_string("MQTT") + bytes([4, 0xC6]) + struct.pack("!H", 60)
        parts = (client, f"home/{word['will']}", word["will"], word["mqttuser"], word["mqttuser"])
        broker.send(messages.mqtt_packet(0x10, body + b"".join(map(messages.mqtt_string, parts))))
        broker.receive(messages.mqtt_connack(0))
        broker.send(messages.mqtt_publish(f"home/{word['topic']}/set", word["topic"].encode()))
        broker.close()
    for server in (HUB, LIGHT):
        ftp = made.connect(PHONE, server, 21)
        ftp.receive(b"220 ready\r\n")
        ftp.send(f"USER {word['ftp']}\r\n".encode())
        ftp.receive(b"331 password\r\n")
        ftp.send(f"PASS {word['ftp']}\r\n".encode())
        ftp.receive(b"230 in\r\n")
        ftp.close()
        shell = made.connect(PHONE, server, 23)
        shell.receive(b"\xff\xfd\x18login: ")
        shell.send(f"{word['telnet']}\r\n".encode())
        shell.receive(b"Password: ")
        shell.send(f"{word['telnet']}\r\n".encode())
        shell.close()
        camera = made.connect(PHONE, server, 554)
        address = f"rtsp://{server.ipv4}/stream"
        login = f"Authorization: Basic {basic(word['rtsp'])}\r\n"
        camera.send(f"DESCRIBE {address} RTSP/1.0\r\nCSeq: 1\r\n{login}\r\n".encode())
        camera.receive(b"RTSP/1.0 200 OK\r\nCSeq: 1\r\n\r\n")
        camera.close()
    made.datagram(TABLET, HUB, (50_504, 5683), gadget_messages.coap(1, 5, b"ab", (word["coap"],)))
    raw = made.connect(TABLET, HUB, 4444)
    raw.send(f'{{"id":1,"method":"log","params":["{word["raw"]}"]}}\r\n'.encode())
    raw.receive(b'{"id":1,"result":["ok"]}\r\n')
    raw.close()


def write(recording: Recording, path: Path) -> Path:
    """A file whose own descriptions hold the words too: comments, interfaces, filter, hardware, system."""
    first = InterfaceFacts(
        link_type=1,
        snap_length=0,
        name=" ".join(words("ifname")),
        description=" ".join(words("iftext")),
        capture_filter="ether host " + " or ".join(words("filter")),
        hardware=" ".join(words("hardware")),
        operating_system=" ".join(words("system")),
    )
    second = InterfaceFacts(link_type=air.LINK_TYPE, snap_length=0, name="air0")
    with path.open("wb") as file:
        comment = "\n".join((*words("section"), *words("aboutif")))
        writer = PcapngWriter(
            file,
            [first, second],
            comment=comment,
            hardware=words("hardware")[0],
            operating_system=words("system")[0],
        )
        for packet in recording.captured():
            writer.write_packet(
                PacketRecord(
                    timestamp_ns=packet.time_ns,
                    octets=packet.octets,
                    interface_id=0 if packet.link_type == 1 else 1,
                    comments=(packet.comment,) if packet.comment else (),
                )
            )
    return path


def home() -> str:
    """A home file in which others have nicknames, and reasons and actions are in the household's own words."""
    nicknames = [*words("nick"), *words("reason")]
    links = [TABLET.link, PHONE.link, HUB.link, LAPTOP.link]
    devices = [f"  - {{link_address: '{LIGHT.link}', role: lighting, nickname: shelf light}}"]
    devices += [
        f"  - {{link_address: '{link}', role: {role}, nickname: {nickname}}}"
        for link, role, nickname in zip(links, ("phone", "phone", "hub", "computer"), nicknames, strict=False)
    ]
    keep = [f"  - {{wish: phone-control, from: {nickname}, to: shelf light}}" for nickname in nicknames[:2]]
    rules = (
        "light-control-without-login",
        "password-in-clear-text",
        "remote-shell-open",
        "version-disclosed",
    )
    accepted = [
        f"  - {{rule: {rule}, because: {reason} says so, until: '2099-01-01'}}"
        for rule, reason in zip(rules, words("reason"), strict=True)
    ]
    # A key of its own: under one from the file's digest, which differs from run to run (certificates), a pseudonym
    # may by chance be the true address of another host of the same prefix.
    key = f"pseudonym_key: '{'11' * 16}'"
    return "\n".join(["devices:", *devices, "keep:", *keep, "router: vlan", "accepted:", *accepted, key, ""])
