"""The demonstration recordings: five evenings of the invented household."""

from __future__ import annotations

import random
from collections.abc import Sequence

from tests.builders import Connection, Recording
from tests.household import messages
from tests.household.home import (
    CLOUD,
    FILE_SERVER,
    HUB,
    LAPTOP,
    LIGHT,
    LIGHTS,
    MOVED_LIGHT,
    MOVED_TWIN,
    NEXT_EVENING_NS,
    PHONE,
    QUIET_LIGHT,
    ROUTER,
    TIME_SERVER,
    TWIN,
    WEB,
    Host,
)
from tests.household.messages import http_request, http_response
from tests.household.sessions import Piece, stored

STATE = {"on": True, "bri": 128, "transition": 7}
LOGIN = ("shelf", "lantern-and-ladder")
HUB_TOKEN = "f3b1c29a7de84450a1b2c3d4e5f60718"
ANNOUNCED = ("path=/", "fw=0.14.1", "mac=00005e005321")
RECORD_HEAD = bytes.fromhex("170303")  # TLS application data (RFC 8446 5.1)


def join(recording: Recording, light: Host, text: Sequence[str] = ANNOUNCED) -> None:
    """Power on: lease, addresses, own name, announcement."""
    recording.dhcp_lease(light, vendor_class="udhcp 1.36.1")
    recording.arp(light, recording.segment.router)
    recording.router_advertisement()
    recording.neighbour(light, light)
    recording.mdns_probe(light)
    recording.mdns_announce(light, text=text)


def outside_start(recording: Recording, light: Host) -> Connection:
    """The light asks for the time and opens its standing connection."""
    recording.dns_lookup(light, TIME_SERVER.name, [TIME_SERVER.ipv4])
    recording.ntp(light, TIME_SERVER)
    recording.dns_lookup(light, CLOUD.name, [CLOUD.ipv4])
    return recording.tls_session(light, CLOUD, stored(CLOUD.name), stays_open=True)


def keep_alive(recording: Recording, cloud: Connection, seconds: range) -> None:
    """A few encrypted octets each way, every ``seconds.step`` seconds."""
    for moment in seconds:
        recording.at(moment)
        for write in (cloud.send, cloud.receive):
            write(sealed(recording, 37))


def sealed(recording: Recording, size: int) -> bytes:
    """An encrypted record: octets nobody can read."""
    return RECORD_HEAD + size.to_bytes(2) + bytes(recording.number(8) for _ in range(size))


def app_control(recording: Recording, phone: Host, light: Host) -> None:
    """The app reads the state, then switches and dims: no login anywhere."""
    host = light.ipv4
    agent = {"User_Agent": "lights/3"}
    recording.mdns_browse(phone)
    recording.http_exchange(
        phone, light, http_request("GET", "/json/state", host, **agent), http_response(200, STATE)
    )
    for state in ({"on": False}, {"on": True, "bri": 40}):
        recording.wait(2)
        request = http_request("POST", "/json/state", host, state, **agent)
        recording.http_exchange(phone, light, request, http_response(200, {"success": True}))


def hub_poll(
    recording: Recording, light: Host, *, token: bool, count: int, start: float, jitter: float = 0.0
) -> None:
    """One fresh connection a second: the light mirrors what the hub knows about another one."""
    shake = random.Random(1000)
    target = f"/lights/4/state?token={HUB_TOKEN}" if token else "/lights/4/state"
    for turn in range(count):
        recording.at(start + turn + shake.uniform(-jitter, jitter))
        recording.http_exchange(
            light,
            HUB,
            http_request("GET", target, HUB.ipv4),
            http_response(200, {"on": True, "bri": 99}),
            port=8080,
        )


def broker_session(
    recording: Recording, light: Host, login: tuple[str, str] | None, *, code: int = 0
) -> Connection:
    """MQTT in clear text to the hub: connect, subscribe, publish."""
    broker = recording.connect(light, HUB, 1883)
    user, password = login or (None, None)
    broker.send(messages.mqtt_connect("shelf-light", user, password))
    broker.receive(messages.mqtt_connack(code))
    if code == 0:
        broker.send(messages.mqtt_subscribe(1, "home/shelf/set"))
        broker.receive(messages.mqtt_suback(1))
        broker.send(messages.mqtt_publish("home/shelf/state", b'{"state":"ON"}'))
    return broker


def good_vantage() -> Recording:
    """Ten minutes on the path: everything is seen, several things could be better."""
    recording = Recording()
    others(recording)
    recording.at(20)
    recording.note("power-on: the shelf light is plugged in")
    join(recording, LIGHT)
    recording.at(26)
    cloud = outside_start(recording, LIGHT)
    recording.at(29)
    broker_session(recording, LIGHT, LOGIN)
    recording.at(30)
    recording.dhcp_lease(PHONE, hostname="phone-of-a-guest")
    recording.at(90)
    recording.note("app: state, off, on and dimmed from the phone at home")
    app_control(recording, PHONE, LIGHT)
    recording.at(150)
    recording.note("app: a new name and broker saved on the settings page")
    settings = {"id": {"name": "Shelf light"}, "mqtt": {"broker": HUB.ipv4, "user": LOGIN[0]}}
    recording.http_exchange(
        PHONE,
        LIGHT,
        http_request("POST", "/json/cfg", LIGHT.ipv4, settings),
        http_response(200, {"success": True}),
    )
    recording.at(210)
    recording.note("hub: a scene is called")
    recording.http_exchange(
        HUB, LIGHT, http_request("POST", "/json/state", LIGHT.ipv4, {"on": True, "ps": 3}),
        http_response(200, {"success": True}),
    )  # fmt: skip
    recording.at(240)
    recording.note("mirror: the light follows the hub for a minute")
    hub_poll(recording, LIGHT, token=True, count=60, start=240)
    recording.at(301)
    recording.note("idle: nobody touches anything from here on")
    recording.arp(LIGHT, ROUTER)
    keep_alive(recording, cloud, range(60, 600, 30))
    recording.at(599)
    recording.arp(LAPTOP, ROUTER)
    return recording


def others(recording: Recording) -> None:
    """Members of the household who are none of the report's business."""
    recording.at(0)
    recording.arp(LAPTOP, ROUTER)
    for moment in (3, 125, 330, 470):
        recording.at(moment)
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
    recording.at(45)
    recording.mdns_announce(TWIN, text=("path=/", "fw=0.14.1", "mac=00005e005322"))
    recording.at(50)
    recording.mdns_announce(HUB, "_hap._tcp", 8080, ("md=hub", "pv=1.1"))


def neighbours(recording: Recording) -> None:
    """Two pairs that have nothing to do with the light: they show that the place is not one host's own."""
    recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
    recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
    recording.http_exchange(
        PHONE, HUB, http_request("GET", "/scenes", HUB.ipv4), http_response(200, {"scenes": 3}), port=8080
    )


def laptop_on_wifi() -> Recording:
    """S01: five minutes on a laptop: its own conversations and what is sent to everybody."""
    recording = Recording(vantage="own-host", recorder=LAPTOP)
    recording.arp(LAPTOP, ROUTER)
    for moment in (2, 140, 250):
        recording.at(moment)
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
    recording.at(20)
    join(recording, LIGHT)
    recording.at(26)
    cloud = outside_start(recording, LIGHT)
    recording.at(90)
    app_control(recording, PHONE, LIGHT)
    keep_alive(recording, cloud, range(60, 300, 30))
    for moment in (120, 180, 240):
        recording.at(moment)
        recording.arp(LIGHT, ROUTER)
        recording.mdns_browse(PHONE)
    recording.at(298)
    recording.arp(LAPTOP, ROUTER)
    return recording


def hub_polling(count: int = 180) -> Recording:
    """S22: three minutes in which the controller asks the hub every second."""
    recording = Recording()
    neighbours(recording)
    recording.at(4)
    join(recording, LIGHT)
    hub_poll(recording, LIGHT, token=True, count=count, start=10, jitter=0.012)
    return recording


def after_isolation() -> Recording:
    """
    The next evening, once the lights have a segment of their own; recorded there.

    The router has the entries that the wishes need: what nobody wished for (the cloud, the file server) stops.  Nobody calls
    the scene again, so that control by the hub is not tried.
    """
    recording = Recording(segment=LIGHTS, start_ns=NEXT_EVENING_NS)
    recording.at(3)
    recording.mdns_announce(MOVED_TWIN, text=("path=/", "fw=0.14.1", "mac=00005e005322"))
    recording.dns_lookup(MOVED_TWIN, TIME_SERVER.name, [TIME_SERVER.ipv4])
    recording.ntp(MOVED_TWIN, TIME_SERVER)
    recording.at(20)
    recording.note("power-on: the shelf light is plugged in")
    join(recording, MOVED_LIGHT)
    recording.at(26)
    recording.dns_lookup(MOVED_LIGHT, TIME_SERVER.name, [TIME_SERVER.ipv4])
    recording.ntp(MOVED_LIGHT, TIME_SERVER)
    recording.dns_lookup(MOVED_LIGHT, CLOUD.name, [CLOUD.ipv4])
    recording.attempt(MOVED_LIGHT, CLOUD, 443)
    for moment in (40, 100, 160):
        recording.at(moment)
        recording.attempt(MOVED_LIGHT, FILE_SERVER, 445, answer="prohibited", by=LIGHTS.router)
    recording.at(60)
    broker_session(recording, MOVED_LIGHT, LOGIN).close()
    recording.at(90)
    recording.note("app: state, off, on and dimmed from the phone at home")
    app_control(recording, PHONE, MOVED_LIGHT)
    recording.at(240)
    recording.note("mirror: the light follows the hub for a minute")
    hub_poll(recording, MOVED_LIGHT, token=True, count=60, start=240)
    recording.at(301)
    recording.note("idle: nobody touches anything from here on")
    for moment in range(330, 600, 120):
        recording.at(moment)
        recording.attempt(MOVED_LIGHT, CLOUD, 443)
    recording.at(599)
    recording.arp(MOVED_LIGHT, LIGHTS.router)
    return recording


def after_isolation_ipv6_open() -> Recording:
    """S33: the same, but nobody gave the router the rules for IPv6: the file server answers over it."""
    recording = after_isolation()
    recording.at(101)
    recording.neighbour(MOVED_LIGHT, LIGHTS.router)
    share = recording.connect(MOVED_LIGHT, FILE_SERVER, 445, family="ipv6")
    share.send(b"\x00\x00\x00\x04list")
    share.receive(b"\x00\x00\x00\x04here")
    share.close()
    return recording


def quiet_and_good() -> Recording:
    """S40: ten minutes on the path, all actions, nothing to do."""
    recording = Recording()
    recording.at(0)
    recording.arp(LAPTOP, ROUTER)
    recording.at(20)
    recording.note("power-on: the shelf light is plugged in")
    recording.dhcp_lease(QUIET_LIGHT)
    recording.mdns_probe(QUIET_LIGHT)
    recording.mdns_announce(QUIET_LIGHT, "_https._tcp", 443, ("path=/",))
    recording.at(26)
    recording.ntp(QUIET_LIGHT, ROUTER)
    recording.dns_lookup(QUIET_LIGHT, CLOUD.name, [CLOUD.ipv4])
    recording.tls_session(QUIET_LIGHT, CLOUD, stored(CLOUD.name, "1.3"))
    recording.at(60)
    neighbours(recording)
    recording.at(90)
    recording.note("app: state, off, on and dimmed from the phone at home, with its login")
    recording.mdns_browse(PHONE)
    for _ in range(3):
        recording.wait(2)
        recording.tls_session(PHONE, QUIET_LIGHT, local_login())
    recording.at(210)
    recording.note("hub: a scene is called")
    recording.tls_session(HUB, QUIET_LIGHT, local_login())
    recording.at(240)
    recording.note("idle: nobody touches anything from here on")
    for moment in range(240, 600, 40):
        recording.at(moment)
        recording.arp(QUIET_LIGHT, ROUTER)
    return recording


def local_login() -> list[Piece]:
    """An encrypted session with the light's own server."""
    return stored("shelf-light.local", "1.3")


STORIES = {
    "good-vantage": good_vantage,
    "laptop-on-wifi": laptop_on_wifi,
    "hub-polling": hub_polling,
    "after-isolation": after_isolation,
    "after-isolation-ipv6-open": after_isolation_ipv6_open,
    "quiet-and-good": quiet_and_good,
}

HOME_FILE = """\
# The household's own words about its devices, its wishes and what it did while it recorded.
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
  - {link_address: "8a:4c:1d:20:71:05", role: phone, nickname: guest phone}
  - {link_address: "02:00:5e:10:00:01", role: router, nickname: router}
keep:
  - phone-control
  - {wish: hub-controls-light, from: hub, to: shelf light}
  - {wish: light-follows-hub, from: shelf light, to: hub}
  - time
router: vlan
actions:
  - {at: "2026-03-14T19:00:20Z", what: power-on}
  - {at: "2026-03-14T19:01:30Z", what: app}
  - {at: "2026-03-14T19:02:30Z", what: app}
  - {at: "2026-03-14T19:03:30Z", what: hub}
  - {at: "2026-03-14T19:04:00Z", what: mirror}
"""
