"""
Scenarios whose files our recorder makes: a ring with a hole, a light found by a typed mark, show data, groups withheld.

Oracles: dpkt and tcpdump for the packets, the sacn library for the show, the kernel's bridge for what it withholds (RFC 4541
section 2.1.2).
"""

from __future__ import annotations

import struct
import time
from pathlib import Path

import dpkt
import pytest

from tests.household.home import HUB, LAPTOP, LIGHT, PHONE, SHOW_COMPUTER, TWIN
from tests.lab.house import House, require, settle
from tests.lab.recorders import classic_frames, end_recording, files, frames, start_recording
from tests.lab.terminal import Terminal, install
from tests.scenarios.support import assert_calm, capture_issues, device, findings, outcomes, run

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-recorder-scenarios")]

UNIVERSES, RATE, SHOW_SECONDS = 4, 44, 5
HOLE_SECONDS = 40 * 60
SHOW = ("evening.show", SHOW_COMPUTER.ipv4, str(UNIVERSES), str(RATE), str(SHOW_SECONDS))


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    require("dnsmasq", "udhcpc")
    house = House(tmp_path_factory.mktemp("lab-recorder-scenarios"))
    try:
        house.build()
        for host in (HUB, TWIN, PHONE, LAPTOP, SHOW_COMPUTER):
            house.move_in(host.name, host.link, host.ipv4)
        house.move_in("light", LIGHT.link, None)
        house.start_role(HUB.name, "hotspot.hub", HUB.ipv4)
        house.start(
            "router", "dnsmasq", "-d", "--conf-file=/dev/null", "--no-resolv", "--no-hosts", "--user=root",
            "--interface=br0", "--bind-interfaces", "--dhcp-range=192.168.77.100,192.168.77.150,1h",
            "--dhcp-authoritative", f"--dhcp-host={LIGHT.link},{LIGHT.ipv4}",
            f"--dhcp-leasefile={house.folder / 'leases'}", "--pid-file", ready="started",
        )  # fmt: skip
        yield house
    finally:
        house.demolish()


def wake(house):
    """The light has its address, whichever of these tests ran before."""
    if LIGHT.ipv4 not in house.inside("light", "ip", "-4", "address").stdout:
        house.settle("light", LIGHT.ipv4)


def show_frames(found):
    """Datagrams to the port of E1.31 (IANA: sdt, 5568)."""
    return [octets for octets in found if octets[23:24] == b"\x11" and octets[36:38] == (5568).to_bytes(2)]


def ask(house, name, times=1):
    for _ in range(times):
        assert house.role(name, "hotspot.ask_hub", HUB.ipv4, "GET", "").said == 200


def test_s13_the_light_is_found_by_the_mark_that_was_typed(house, tmp_path):
    terminal = Terminal(house, "router", tmp_path, install(tmp_path / "bin"))
    command = terminal.begin("auditor record br0 --folder recording --home home.yaml")
    command.wait_for("q and Enter ends")
    ask(house, TWIN.name, 5)
    command.type("m power-on")
    command.wait_for("marked: power-on")
    lease = house.inside(
        "light", "udhcpc", "-f", "-q", "-n", "-i", "eth0", "-t", "3", "-T", "3", "-s", "/bin/true"
    )
    assert f"lease of {LIGHT.ipv4} obtained" in lease.stdout + lease.stderr
    wake(house)
    ask(house, "light")
    ask(house, TWIN.name, 5)
    command.type("q")
    assert terminal.finish(command) == 0

    recorded = files(tmp_path / "recording")
    document = run(recorded, tmp_path, devices=(), home=(tmp_path / "home.yaml").read_text("utf-8"))
    asked = [
        number
        for number, octets in enumerate(frames(recorded), 1)
        if octets[23:24] == b"\x11" and octets[34:38] == bytes.fromhex("00440043")  # RFC 2131 4.1: 68 to 67
    ]
    [chattiest] = [d for d in document["devices"] if TWIN.link in d["link_addresses"]]
    reasons = " ".join(device(document, LIGHT)["lighting"]["reasons"])
    assert device(document, LIGHT)["lighting"]["rank"] == 1
    assert chattiest["lighting"] is None or chattiest["lighting"]["rank"] != 1
    assert "after the noted power-on" in reasons
    assert f"packet {asked[0]} " in reasons


def test_s10_a_ring_with_a_hole(house, tmp_path):
    """The recorder was stopped and started again in the same folder; the test makes the seconds between them minutes."""
    wake(house)
    folder = tmp_path / "recording"
    first: list[Path] = []
    for _ in range(2):
        first = files(folder)
        start_recording(house, "router", "br0", folder, "--file-minutes", "0.03")
        while len(files(folder)) < len(first) + 2:
            ask(house, "light")
            ask(house, PHONE.name)
        end_recording(house)
    for path in files(folder):
        if path not in first:
            path.write_bytes(moved(path.read_bytes(), HOLE_SECONDS))

    recorded = files(folder)
    document = run([folder], tmp_path)
    holes = [
        entry
        for entry in document["coverage"]["could_not_see"]
        if entry["reason"] == "nothing was recorded in that time"
    ]
    assert len(first) >= 2
    assert len(recorded) >= 4
    assert len(holes) == 1
    assert capture_issues(document) == {"hole"}  # told of the later file
    assert len(document["captures"]) == len(recorded)


def moved(octets: bytes, seconds: int) -> bytes:
    """A file with the times of its packets moved (draft-ietf-opsawg-pcapng section 4.3: two halves, nanoseconds here)."""
    made, place = bytearray(octets), 0
    while place < len(octets):
        kind, length = struct.unpack_from("<II", octets, place)
        if kind == 6:
            high, low = struct.unpack_from("<II", octets, place + 12)
            time_ns = (high << 32 | low) + seconds * 1_000_000_000
            struct.pack_into("<II", made, place + 12, time_ns >> 32, time_ns & 0xFFFF_FFFF)
        place += length
    return bytes(made)


def test_s26_show_data_is_told_with_its_rate(house, tmp_path):
    wake(house)
    start_recording(house, "router", "br0", tmp_path / "recording")
    ask(house, PHONE.name)
    ask(house, "light")
    house.role(SHOW_COMPUTER.name, *SHOW)
    end_recording(house)

    recorded = files(tmp_path / "recording")
    document = run(recorded, tmp_path)
    [load] = findings(document, "multicast-lighting-load", host=SHOW_COMPUTER)
    [design] = findings(document, "control-protocol-without-login", host=SHOW_COMPUTER)
    rate = float(load["summary"].partition(" frames")[0].split()[-1])
    with recorded[0].open("rb") as file:
        times = [seconds for seconds, octets in dpkt.pcapng.Reader(file) if show_frames([octets])]
    assert f"{UNIVERSES} universes" in load["summary"]
    assert rate == pytest.approx(len(times) / (times[-1] - times[0]), rel=0.1)
    assert load["severity"] in {"info", "low"}
    assert "no login by design" in design["summary"]
    assert_calm(document)


def test_s27_groups_that_a_bridge_withholds_are_not_called_absent(house, tmp_path):
    """The light is a member and gets the show, the laptop is none and gets nothing of it."""
    wake(house)
    # A bridge that asks for members withholds once its first question could have been answered: here after a second.
    bridge = ("-n", house.room("router"), "link", "set", "br0", "type", "bridge")
    house.ip(*bridge, "mcast_query_response_interval", "100")
    house.ip(*bridge, "mcast_snooping", "1", "mcast_querier", "1")
    other = tmp_path / "light.pcap"
    house.record(other, interface="p-light")
    house.start_role("light", "evening.join_group", LIGHT.ipv4, "239.255.0.1")
    time.sleep(2)
    start_recording(house, LAPTOP.name, "eth0", tmp_path / "recording")
    ask(house, LAPTOP.name)
    house.role("light", "evening.announce", LIGHT.ipv4, LIGHT.name)
    house.role(SHOW_COMPUTER.name, *SHOW)
    end_recording(house)
    settle(other)

    recorded = files(tmp_path / "recording")
    document = run(recorded, tmp_path)
    assert len(show_frames(classic_frames(other))) > RATE
    assert show_frames(frames(recorded)) == []
    assert "multicast-visible" not in document["coverage"]["abilities"]
    assert outcomes(document, "multicast-lighting-load", LIGHT) == {"undetermined"}
    assert outcomes(document, "control-protocol-without-login", LIGHT) == {"undetermined"}
    reasons = " ".join(entry["reason"] for entry in document["coverage"]["could_not_see"])
    assert "groups that the recording host did not join may have been withheld" in reasons
