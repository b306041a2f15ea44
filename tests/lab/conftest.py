"""One evening in the lab, recorded on the bridge; the tests compare what the auditor tells with what was done."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.household.home import CLOUD, HUB, LIGHT, PHONE
from tests.household.sessions import write_certificate
from tests.lab.house import House, require, settle


@dataclass(slots=True)
class Evening:
    """What was done, by the doer's own account."""

    capture: Path
    statuses: dict[str, list[int]] = field(default_factory=dict)
    """HTTP statuses the phone got, by what it did."""
    broker: dict[str, bool] = field(default_factory=dict)
    """Whether the broker let the light in."""
    lease: str = ""
    cloud_said: str = ""
    stratum: int = 0


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evening]:
    require("dnsmasq", "udhcpc", "mosquitto", "mosquitto_passwd", "mosquitto_pub", "chronyd")
    folder = tmp_path_factory.mktemp("lab")
    house = House(folder)
    try:
        yield live(house, folder)
    finally:
        house.demolish()


def live(house: House, folder: Path) -> Evening:
    """Build, serve, record, act."""
    evening = Evening(folder / "evening.pcap")
    house.build()
    house.move_in("light", LIGHT.link, None)
    house.move_in("hub", HUB.link, HUB.ipv4)
    house.move_in("phone", PHONE.link, PHONE.ipv4)
    house.outside(CLOUD.ipv4)
    serve(house, folder)
    house.record(evening.capture)

    lease = house.inside(
        "light",
        "udhcpc",
        "-f",
        "-q",
        "-n",
        "-i",
        "eth0",
        "-t",
        "3",
        "-T",
        "3",
        "-x",
        f"hostname:{LIGHT.name}",
        "-s",
        "/bin/true",
    )
    evening.lease = lease.stdout + lease.stderr
    house.settle("light", LIGHT.ipv4)
    house.start_role("light", "evening.light", LIGHT.ipv4)
    house.role("light", "evening.announce", LIGHT.ipv4, LIGHT.name)
    evening.stratum = house.role("light", "evening.clock", "192.168.77.1").said
    evening.cloud_said = house.role("light", "evening.call", CLOUD.name, "192.168.77.1").said
    for port, login in ((1883, True), (1883, False), (1884, False)):
        arguments = ["-h", HUB.ipv4, "-p", str(port), "-i", LIGHT.name, "-t", "home/shelf/state", "-m", "ON"]
        arguments += ["-u", "shelf", "-P", "lantern-and-ladder"] if login else []
        done = house.inside("light", "mosquitto_pub", *arguments)
        evening.broker[f"{port} {'password' if login else 'anonymous'}"] = done.returncode == 0
    for what, method, path, body, login in (
        ("read", "GET", "/json/state", "", ""),
        ("switch", "POST", "/json/state", '{"on":false}', ""),
        ("switch", "POST", "/json/state", '{"on":true,"bri":9}', ""),
        ("configure without login", "POST", "/json/cfg", '{"mqtt":{"broker":"192.168.77.30"}}', ""),
        ("configure with login", "POST", "/json/cfg", '{"mqtt":{"broker":"192.168.77.30"}}', "login"),
    ):
        done = house.role("phone", "evening.request", method, f"http://{LIGHT.ipv4}{path}", body, login)
        evening.statuses.setdefault(what, []).append(done.said)
    house.role("hub", "evening.show", HUB.ipv4)
    settle(evening.capture)
    house.demolish()
    return evening


def serve(house: House, folder: Path) -> None:
    """Leases and names, time, brokers, a server outside."""
    house.start(
        "router", "dnsmasq", "-d", "--conf-file=/dev/null", "--no-resolv", "--no-hosts", "--interface=br0", "--bind-interfaces",
        "--dhcp-range=192.168.77.100,192.168.77.150,1h", f"--dhcp-host={LIGHT.link},{LIGHT.ipv4}", "--dhcp-authoritative",
        f"--address=/{CLOUD.name}/{CLOUD.ipv4}", f"--dhcp-leasefile={folder / 'leases'}", f"--pid-file={folder / 'dnsmasq.pid'}",
        "--user=root", ready="started",
    )  # fmt: skip
    clock = folder / "chrony.conf"
    clock.write_text(
        f"local stratum 8\nallow all\ncmdport 0\nbindcmdaddress /\npidfile {folder / 'chrony.pid'}\n"
    )
    house.start("router", "chronyd", "-x", "-d", "-u", "root", "-f", clock, ready="starting")
    passwords = folder / "passwords"
    house.inside("hub", "mosquitto_passwd", "-b", "-c", passwords, "shelf", "lantern-and-ladder")
    broker = folder / "broker.conf"
    broker.write_text(
        f"user root\nper_listener_settings true\nlistener 1883 {HUB.ipv4}\nallow_anonymous false\npassword_file {passwords}\n"
        f"listener 1884 {HUB.ipv4}\nallow_anonymous true\n"
    )
    house.start("hub", "mosquitto", "-c", broker, ready="running")
    house.start_role(
        "outside", "evening.cloud", CLOUD.ipv4, str(write_certificate(folder / "cloud.pem", CLOUD.name))
    )
