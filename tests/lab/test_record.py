"""
Our recorder on a bridge of the lab, and tcpdump beside it.

Oracles: tcpdump (libpcap) records the same bridge; dpkt and scapy read our files; the kernel counts what was sent.
"""

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

import auditor
from tests.household.home import HUB, LIGHT, PHONE
from tests.lab.house import ROOT, settle
from tests.lab.recorded import at_home
from tests.lab.recorders import (
    RECORD,
    classic_frames,
    difference,
    end_recording,
    files,
    frames,
    said_losses,
    start_recording,
)

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-record")]
PACE = 20_000  # packets a second that the program promises


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    with at_home(tmp_path_factory.mktemp("lab-record")) as house:
        house.start_role("light", "recording.sink", LIGHT.ipv4)
        yield house


def own_pings(found):
    """Frames of the datagrams that the test sent."""
    marker = bytes([0x11])  # UDP
    return [octets for octets in found if octets[12:14] == b"\x08\x00" and octets[23:24] == marker]


def test_the_same_packets_as_another_recorder_at_full_pace(house, tmp_path):
    other = tmp_path / "other.pcap"
    house.start(
        "router",
        "tcpdump",
        "-i",
        "br0",
        "-B",
        "131072",
        "-U",
        "-Z",
        "root",
        "-w",
        other,
        ready="listening on",
    )
    start_recording(house, "router", "br0", tmp_path / "ours", "--size", "20")
    sent = house.role("phone", "recording.steady", LIGHT.ipv4, str(PACE), "5").said
    settle(other)
    time.sleep(0.3)
    said = end_recording(house)
    house.stop_last()

    ours, theirs = own_pings(frames(files(tmp_path / "ours"))), own_pings(classic_frames(other))
    lost = said_losses(said)
    assert sent["sent"] == 5 * PACE
    assert sent["seconds"] < 5.5, "the sender did not keep the pace"
    assert lost == 0
    assert len(ours) == sent["sent"]
    assert difference(ours, theirs)[1] == 0
    assert len(files(tmp_path / "ours")) > 1


def test_a_flood_is_accounted_for(house, tmp_path):
    house.start_role("router", "recording.sink", "127.0.0.1")
    start_recording(house, "router", "lo", tmp_path / "ours")
    sent = house.role("router", "recording.flood", "127.0.0.1", "9000", "3").said["sent"]
    said = end_recording(house)
    house.stop_last()

    held = [octets for octets in frames(files(tmp_path / "ours")) if octets[23:24] == b"\x11"]
    assert len(held) + said_losses(said) == sent


def test_tags_of_virtual_networks_stand_where_they_were(house, tmp_path):
    """The kernel takes the tag out of the frame and tells it apart; tcpdump puts it back as well (IEEE 802.1Q)."""
    other = tmp_path / "other.pcap"
    house.start(
        "router",
        "tcpdump",
        "-i",
        "p-hub",
        "-U",
        "--immediate-mode",
        "-Z",
        "root",
        "-w",
        other,
        ready="listening",
    )
    start_recording(house, "router", "p-hub", tmp_path / "ours")
    house.role("hub", "recording.tagged", HUB.link, "77")
    settle(other)
    end_recording(house)
    house.stop_last()

    ours = [
        octets for octets in frames(files(tmp_path / "ours")) if octets[12:16] == bytes.fromhex("8100004d")
    ]
    theirs = [octets for octets in classic_frames(other) if octets[12:14] == b"\x81\x00"]
    assert len(ours) == 5
    assert difference(ours, theirs) == (0, 0)


def test_one_device_alone_is_recorded_and_can_be_judged(house, tmp_path):
    start_recording(house, "router", "br0", tmp_path / "ours", "--device", LIGHT.link, "--snap", "300")
    house.role("phone", "recording.steady", LIGHT.ipv4, "1000", "1")
    house.role("hub", "recording.one_datagram", PHONE.ipv4)
    end_recording(house)

    light, group = bytes.fromhex(LIGHT.link.replace(":", "")), 0x01
    held = frames(files(tmp_path / "ours"))
    assert len([octets for octets in held if octets[23:24] == b"\x11" and light in octets[:12]]) == 1000
    assert all(octets[:6] == light or octets[6:12] == light or octets[0] & group for octets in held)
    assert max(map(len, held)) == 300
    report = auditor.audit(tmp_path / "ours", devices=[LIGHT.link], reveal=True)
    abilities = {one["device_id"]: one["abilities"] for one in report.document["devices"]}
    [device] = [one["device_id"] for one in report.document["devices"] if LIGHT.link in one["link_addresses"]]
    assert "unicast-with-device" in abilities[device]


def test_files_change_by_time_and_the_oldest_go(house, tmp_path):
    start_recording(house, "router", "br0", tmp_path / "ours", "--file-minutes", "0.02", "--keep", "2")
    house.role("phone", "recording.steady", LIGHT.ipv4, "200", "6")
    said = end_recording(house)

    kept = files(tmp_path / "ours")
    assert len(kept) == 2
    assert said.count(".pcapng") == 2  # those that are there are named, and no others
    numbers = [int.from_bytes(octets[42:50], "big") for octets in own_pings(frames(kept))]
    assert numbers == list(range(numbers[0], 1200))  # the newest, without a gap over the change of files


def test_an_end_by_size_and_by_time(house, tmp_path):
    house.start_role("hub", "recording.sink", HUB.ipv4)
    for number, limit in enumerate((("--total-size", "0.5"), ("--minutes", "0.03"))):
        house.start("phone", "env", f"PYTHONPATH={ROOT}", sys.executable, "-m", "tests.lab.perform",
                    "recording.steady", HUB.ipv4, "2000", "4")  # fmt: skip
        folder = tmp_path / str(number)
        began = time.monotonic()
        done = house.inside("router", "env", f"PYTHONPATH={ROOT}", *RECORD, "br0", "--folder", folder, *limit)
        took = time.monotonic() - began
        house.stop_last()
        assert done.returncode == 0, done.stderr
        total = sum(path.stat().st_size for path in files(folder))
        assert frames(files(folder))
        if limit[0] == "--total-size":
            assert 400_000 < total <= 500_200  # the statistics at the end come on top
        else:
            assert 1.8 < took < 10
    house.stop_last()


def test_killed_at_any_moment_no_file_is_lost(house, tmp_path):
    """200 ends without warning; each next run names what it found, and goes on."""
    folder = tmp_path / "ours"
    log = tmp_path / "log"
    house.start("phone", "env", f"PYTHONPATH={ROOT}", sys.executable, "-m", "tests.lab.perform",
                "recording.steady", LIGHT.ipv4, "1000", "600")  # fmt: skip
    program = (
        "import os, random, sys, threading, time\n"
        "from pathlib import Path\n"
        "from auditor.live.recorder import RecordingOptions, record\n"
        "folder = Path(sys.argv[1]); folder.mkdir(exist_ok=True)\n"
        "options = RecordingOptions(interface='br0', folder=folder, stem='a', file_octets=30_000, file_seconds=None,\n"
        "    keep_files=0, stop_seconds=None, stop_octets=None, device=None, snap_octets=262_144)\n"
        "for number in range(200):\n"
        "    child = os.fork()\n"
        "    if not child:\n"
        "        record(options, tell=lambda line: print(line, flush=True))\n"
        "    time.sleep(random.Random(number).uniform(0.01, 0.25))\n"
        "    os.kill(child, 9); os.waitpid(child, 0)\n"
        "import dataclasses\n"
        "record(dataclasses.replace(options, stop_seconds=0.5), tell=lambda line: print(line, flush=True))\n"
    )
    with log.open("w") as output:
        done = subprocess.run(
            ["ip", "netns", "exec", house.room("router"), sys.executable, "-c", program, str(folder)],
            cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=output, stderr=subprocess.STDOUT,
            timeout=200, check=False,
        )  # fmt: skip
    house.stop_last()

    said = log.read_text()
    assert done.returncode == 0, said
    assert not list(folder.glob("*.part"))
    held = own_pings(frames(files(folder)))
    numbers = [int.from_bytes(octets[42:50], "big") for octets in held]
    assert len(numbers) == len(set(numbers)) > 1000
    assert "an earlier recording ended without completing it" in said
    issues = [
        issue for one in auditor.audit(folder, reveal=True).document["captures"] for issue in one["issues"]
    ]
    assert not [issue for issue in issues if issue["kind"] in {"damaged", "cut-short"}]


def test_an_interface_that_goes_and_comes_back(house, tmp_path):
    router = house.room("router")
    house.ip("-n", router, "link", "add", "spare", "type", "veth", "peer", "name", "other")
    house.ip("-n", router, "link", "set", "other", "up")
    house.ip("-n", router, "link", "set", "spare", "up")
    house.ip("-n", router, "addr", "add", "192.168.98.1/24", "dev", "spare")
    start_recording(house, "router", "spare", tmp_path / "ours")
    house.role("router", "recording.one_datagram", "192.168.98.2")
    house.ip("-n", router, "link", "delete", "spare")
    time.sleep(1)
    house.ip("-n", router, "link", "add", "spare", "type", "veth", "peer", "name", "other")
    house.ip("-n", router, "link", "set", "other", "up")
    house.ip("-n", router, "link", "set", "spare", "up")
    house.ip("-n", router, "addr", "add", "192.168.98.1/24", "dev", "spare")
    time.sleep(1.2)
    house.role("router", "recording.one_datagram", "192.168.98.3")
    said = end_recording(house)

    asked = [octets[38:42] for octets in frames(files(tmp_path / "ours")) if octets[12:14] == b"\x08\x06"]
    assert bytes([192, 168, 98, 2]) in asked
    assert bytes([192, 168, 98, 3]) in asked
    assert "waiting for it to come back" in said
    assert "spare: back; nothing was recorded from" in said


def test_a_full_disk_ends_the_recording_and_keeps_it(house, tmp_path):
    folder = tmp_path / "small"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", folder], check=True)
    try:
        start_recording(house, "router", "br0", folder)
        process, log = house._processes[-1], house._logs[-1]
        house.role("phone", "recording.steady", LIGHT.ipv4, "1000", "3")
        assert process.wait(20) == 2
        house._processes.pop()
        said = log.read_text()
        assert "No space left on device" in said
        assert len(frames(files(folder))) > 500
        assert not list(folder.glob("*.part"))
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)  # rooms hold copies of it


def test_a_folder_that_cannot_be_written(house, tmp_path):
    folder = tmp_path / "fixed"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro,size=100k", "tmpfs", folder], check=True)
    try:
        done = house.inside("router", "env", f"PYTHONPATH={ROOT}", *RECORD, "br0", "--folder", folder)
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)  # rooms hold copies of it

    assert done.returncode == 2
    assert "Read-only file system" in done.stderr
    assert len(done.stderr.splitlines()) <= 4


@pytest.fixture
def open_copy(tmp_path_factory):
    """A folder that everybody may enter, for users who are not the superuser."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name)


def test_without_rights_it_says_what_to_type(house, open_copy):
    # Everything is loaded before: the interpreter of the tests may stand where only the superuser reads.
    program = (
        "import os, sys, auditor.live.recorder, auditor.live.packet_socket, auditor.live.terminal_marks\n"
        "import auditor.live.probe, auditor.live.privileges\n"
        "from auditor.cli.main import main\n"
        "main(['record', 'lo', '--folder', '/proc/none/none'])\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "sys.exit(main(['record', 'br0', '--folder', sys.argv[1]]))\n"
    )
    done = house.inside(
        "router", "env", f"PYTHONPATH={ROOT}", sys.executable, "-c", program, open_copy / "ours"
    )

    assert done.returncode == 2, done.stderr
    assert "sudo setcap cap_net_raw=ep" in done.stderr
    assert len(done.stderr.splitlines()) == 2  # the first is of the call that only loads


def test_rights_are_given_up_once_it_is_open(house, open_copy):
    house.start(
        "router", "env", f"PYTHONPATH={ROOT}", "SUDO_UID=65534", "SUDO_GID=65534",
        *RECORD, "br0", "--folder", open_copy / "ours", ready="recording br0",
    )  # fmt: skip
    process = house._processes[-1]
    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    status = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
    house.role("phone", "recording.steady", LIGHT.ipv4, "100", "1")
    process.send_signal(signal.SIGTERM)
    assert process.wait(20) == 0
    house._processes.pop()

    assert set(status["Uid"].split()) == set(status["Gid"].split()) == {"65534"}
    assert status["Groups"].strip() == ""
    assert int(status["CapEff"], 16) == int(status["CapPrm"], 16) == 0
    [path] = files(open_copy / "ours")
    assert (path.stat().st_uid, path.stat().st_mode & 0o777) == (65534, 0o600)
    assert len(own_pings(frames([path]))) == 100


def test_names_of_interfaces_that_are_not_there(house, tmp_path):
    done = house.inside(
        "router", "env", f"PYTHONPATH={ROOT}", *RECORD, "eth99", "--folder", tmp_path / "ours"
    )

    assert done.returncode == 2
    assert "there is no interface eth99; this system has br0, lo" in done.stderr


def test_without_packet_sockets_the_system_library_records(house, tmp_path):
    """As on a system that has none: the same datagrams through libpcap and scapy; losses are not told there."""
    program = (
        "import socket, sys\n"
        "from pathlib import Path\n"
        "from types import SimpleNamespace\n"
        "from auditor.live import opening\n"
        "opening.socket = SimpleNamespace(if_nameindex=socket.if_nameindex)\n"
        "from auditor.live.recorder import RecordingOptions, record\n"
        "options = RecordingOptions(interface='br0', folder=Path(sys.argv[1]), stem='a', file_octets=10_000_000,\n"
        "    file_seconds=None, keep_files=0, stop_seconds=5, stop_octets=None, device=None, snap_octets=262_144)\n"
        "print(record(options, tell=print, opened=lambda: print('recording br0', flush=True)).dropped)\n"
    )
    house.start("router", sys.executable, "-c", program, tmp_path, ready="recording br0")
    house.role("phone", "recording.steady", LIGHT.ipv4, "1000", "2")
    process, log = house._processes.pop(), house._logs[-1]

    assert process.wait(30) == 0, log.read_text()
    assert log.read_text().splitlines()[-1] == "None"
    numbers = [int.from_bytes(octets[42:50], "big") for octets in own_pings(frames(files(tmp_path)))]
    assert numbers == list(range(2000))
