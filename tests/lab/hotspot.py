"""A laptop that hangs on the router by cable and is the access point of a light and a phone."""

from __future__ import annotations

from dataclasses import replace

from tests.household.home import CLOUD, HUB, LAPTOP, LIGHT, PHONE
from tests.household.sessions import write_certificate
from tests.lab.house import House

INTERFACE = "wlan0"  # a bridge, as of a radio with several stations: what it bridges passes it
GATEWAY = "192.168.79.1"
LIGHT_HERE = replace(LIGHT, ipv4="192.168.79.21")
PHONE_HERE = replace(PHONE, ipv4="192.168.79.51")
POLL_SECONDS = 1.0

_TRANSLATION = """
table ip hotspot {
    chain out {
        type nat hook postrouting priority srcnat;
        oifname "eth0" masquerade
    }
}
"""


def build(house: House) -> None:
    """The home: router, hub, a server outside, the laptop by cable; light and phone on the home network."""
    house.build()
    house.move_in("hub", HUB.link, HUB.ipv4)
    house.move_in("laptop", LAPTOP.link, LAPTOP.ipv4)
    house.move_in("light", LIGHT.link, LIGHT.ipv4)
    house.move_in("phone", PHONE.link, PHONE.ipv4)
    for name in ("light", "phone", "laptop"):
        # Addresses that the kernel makes by itself and asks about at times of its own would change every report.
        house.inside(name, "sh", "-c", "echo 1 > /proc/sys/net/ipv6/conf/all/disable_ipv6")
        house.inside(name, "sh", "-c", "echo 1 > /proc/sys/net/ipv6/conf/default/disable_ipv6")
    house.outside(CLOUD.ipv4)
    names = f"--address=/{CLOUD.name}/{CLOUD.ipv4}"
    house.start("router", "dnsmasq", *_DNSMASQ, "--interface=br0", names, "--pid-file", ready="started")
    house.start_role("hub", "hotspot.hub", HUB.ipv4)
    certificate = write_certificate(house.folder / "cloud.pem", CLOUD.name)
    house.start_role("outside", "evening.cloud", CLOUD.ipv4, str(certificate))


_DNSMASQ = (
    "-d", "--conf-file=/dev/null", "--no-resolv", "--no-hosts", "--bind-interfaces", "--user=root",
)  # fmt: skip


def open_hotspot(house: House) -> None:
    """What an operating system does when its user opens a hotspot: a network, leases, names, translated addresses."""
    room = house.room("laptop")
    house.ip("-n", room, "link", "add", INTERFACE, "address", "02:00:5e:10:00:60", "type", "bridge")
    house.ip("-n", room, "addr", "add", f"{GATEWAY}/24", "broadcast", "+", "dev", INTERFACE)
    house.ip("-n", room, "link", "set", INTERFACE, "up")
    house.inside("laptop", "sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward")
    table = house.folder / "hotspot.nft"
    table.write_text(_TRANSLATION)
    done = house.inside("laptop", "nft", "-f", table)
    assert done.returncode == 0, done.stderr
    house.start(
        "laptop", "dnsmasq", *_DNSMASQ, f"--interface={INTERFACE}", "--server=192.168.77.1",
        "--dhcp-range=192.168.79.100,192.168.79.150,1h", "--dhcp-authoritative",
        f"--dhcp-host={LIGHT.link},{LIGHT_HERE.ipv4}",
        f"--dhcp-leasefile={house.folder / 'leases'}", "--pid-file", ready="started",
    )  # fmt: skip


def change_network(house: House, name: str, link_address: str) -> None:
    """Leave the home network for the hotspot; no address yet."""
    house.unplug(name)
    house.plug(name, link_address, at=("laptop", INTERFACE))


def power_on(house: House) -> None:
    """The light starts: it asks for a lease, announces itself, calls its maker, follows its hub."""
    done = house.inside(
        "light", "udhcpc", "-f", "-q", "-n", "-i", "eth0", "-t", "3", "-T", "3",
        "-x", f"hostname:{LIGHT.name}", "-s", "/bin/true",
    )  # fmt: skip
    assert f"lease of {LIGHT_HERE.ipv4} obtained" in done.stdout + done.stderr, done.stderr
    house.settle("light", LIGHT_HERE.ipv4)
    house.start_role("light", "hotspot.following_light", LIGHT_HERE.ipv4, HUB.ipv4, str(POLL_SECONDS))
    house.role("light", "evening.announce", LIGHT_HERE.ipv4, LIGHT.name)
    assert house.role("light", "evening.call", CLOUD.name, GATEWAY).said == "hello"


def use_app(house: House, light_address: str) -> list[int]:
    """The phone switches the light; the statuses it got."""
    url = f"http://{light_address}/json/state"
    bodies = ('{"on":false}', '{"on":true}', '{"on":true,"bri":9}')
    return [house.role("phone", "evening.request", "POST", url, body, "").said for body in bodies]


def use_hub(house: House) -> int:
    """Somebody changes the scene at the hub itself; the status."""
    return int(house.role("hub", "hotspot.ask_hub", HUB.ipv4, "PUT", '{"scene":"night"}').said)
