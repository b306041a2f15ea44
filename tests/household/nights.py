"""
Nights of the invented household, as the watch meets them: alike, and each a little different.

Every night the light joins, asks for the time under one of four pool names, opens its cloud at whichever address the content
network gives out, and asks the hub for a scene.  Some nights hold an app, a retry storm, a laptop, a phone with a new private
address, an update check.  What is planted stays from its night on, unless it is said otherwise.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tests.builders import Recording
from tests.household.home import CLOUD, HUB, LAPTOP, LIGHT, PHONE, ROUTER, TIME_SERVER, WEB, Host
from tests.household.messages import http_request, http_response, mqtt_connack, mqtt_connect
from tests.household.sessions import stored

DAY_NS = 86_400_000_000_000
HOUR_NS = DAY_NS // 24
FIRST_NIGHT_NS = 1_772_336_400_000_000_000  # 2026-03-01T03:40:00Z, a Sunday
NEW_GADGET = Host("shelf-sensor", "00:00:5e:00:53:77", "192.168.77.177")
UPDATES = Host("updates.shelf-light.example", ipv4="198.51.100.90", hops_away=11)

HOME = """\
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
keep: [phone-control, light-follows-hub, time]
pseudonym_key: "00112233445566778899aabbccddeeff"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """What a night holds."""

    version: str = "0.14.1"
    cloud_address: str = CLOUD.ipv4
    pool: int = 0
    phone: Host | None = PHONE
    app: bool = False
    laptop: bool = False
    storm: bool = False
    update_check: bool = False
    gadget: bool = False
    telemetry: str | None = None
    """Name of one more contact outside."""
    telemetry_address: str = "198.51.100.99"
    open_port: int | None = None
    clear_cloud: bool = False
    cloud_answers: bool = True
    login: bool = False
    hub_refuses: bool = False
    asks_hub: bool = True


def record(evening: Evening, *, start_ns: int = FIRST_NIGHT_NS, seed: int = 77) -> Recording:
    """One short recording on the path."""
    recording = Recording(start_ns=start_ns, seed=seed)
    recording.dhcp_lease(LIGHT)
    recording.arp(LIGHT, ROUTER)
    recording.at(2)
    text = ("path=/", f"fw={evening.version}")
    recording.mdns_announce(LIGHT, text=text)
    recording.at(5)
    pool = replace(TIME_SERVER, name=f"{evening.pool}.pool.example")
    recording.dns_lookup(LIGHT, pool.name, [pool.ipv4])
    recording.ntp(LIGHT, pool)
    recording.at(7)
    cloud = replace(CLOUD, ipv4=evening.cloud_address)
    recording.dns_lookup(LIGHT, cloud.name, [cloud.ipv4])
    if evening.storm:
        for _ in range(6):
            recording.attempt(LIGHT, cloud, 443, tries=2)
    if evening.cloud_answers:
        recording.tls_session(LIGHT, cloud, stored(CLOUD.name))
    else:
        recording.attempt(LIGHT, cloud, 443)
    if evening.clear_cloud:
        _web(recording, LIGHT, cloud, "/state")
    if evening.telemetry:
        telemetry = Host(evening.telemetry, ipv4=evening.telemetry_address, hops_away=12)
        _opaque(recording, telemetry, 8443)
    if evening.update_check:
        _opaque(recording, UPDATES, 443)
    recording.at(40)
    if evening.hub_refuses:
        recording.attempt(LIGHT, HUB, 8080, answer="reset")
    elif evening.asks_hub:
        request = http_request("GET", "/scenes", HUB.ipv4)
        recording.http_exchange(LIGHT, HUB, request, http_response(200, {}), port=8080)
    if evening.login:
        broker = recording.connect(LIGHT, HUB, 1883)
        broker.send(mqtt_connect("shelf-light", "shelf", "lantern-and-ladder"))
        broker.receive(mqtt_connack(0))
        broker.close()
    recording.at(50)
    _others(recording, evening)
    recording.at(90)
    recording.arp(LIGHT, ROUTER)
    return recording


def _others(recording: Recording, evening: Evening) -> None:
    phone = evening.phone
    if phone is not None:
        recording.dhcp_lease(phone)
        recording.dns_lookup(phone, WEB.name, [WEB.ipv4])
        request = http_request("GET", "/scenes", HUB.ipv4)
        recording.http_exchange(phone, HUB, request, http_response(200, {}), port=8080)
        if evening.app:
            body = http_response(200, {"on": True})
            recording.http_exchange(phone, LIGHT, http_request("GET", "/json/state", LIGHT.ipv4), body)
            request = http_request("POST", "/json/state", LIGHT.ipv4, {"on": False})
            recording.http_exchange(phone, LIGHT, request, body)
        if evening.open_port is not None:
            request = http_request("GET", "/", LIGHT.ipv4)
            recording.http_exchange(phone, LIGHT, request, http_response(200, {}), port=evening.open_port)
    if evening.laptop:
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
    if evening.gadget:
        recording.dhcp_lease(NEW_GADGET)
        recording.http_exchange(
            NEW_GADGET,
            LIGHT,
            http_request("GET", "/json/state", LIGHT.ipv4),
            http_response(200, {"on": True}),
        )


def _opaque(recording: Recording, server: Host, port: int) -> None:
    """A name is looked up, and octets that nobody can read go both ways."""
    recording.dns_lookup(LIGHT, server.name, [server.ipv4])
    connection = recording.connect(LIGHT, server, port)
    connection.send(bytes(recording.number(8) | 128 for _ in range(60)))
    connection.receive(bytes(recording.number(8) | 128 for _ in range(90)))
    connection.close()


def _web(recording: Recording, client: Host, server: Host, path: str) -> None:
    recording.http_exchange(client, server, http_request("GET", path, server.name), http_response(200, {}))


def vary(evening: Evening, number: int, seed: int = 5) -> Evening:
    """The night with what differs from one to the next without meaning anything; ``number`` counts from 0."""
    chance = random.Random(f"{seed}/{number}")
    week = number // 7
    phones: Sequence[Host | None] = (PHONE, _private_phone(week), None)
    return replace(
        evening,
        cloud_address=f"198.51.100.{80 + chance.randrange(8)}",
        pool=chance.randrange(4),
        phone=PHONE if evening.open_port else chance.choice(phones),
        app=evening.app or chance.random() < 0.6,
        laptop=chance.random() < 0.5,
        storm=chance.random() < 0.1,
        update_check=number % 7 == 2,
    )


def _private_phone(week: int) -> Host:
    """A phone that makes up a new link address each week."""
    return Host("phone", f"8a:4c:1d:{week:02x}:71:05", f"192.168.77.{60 + week}")
