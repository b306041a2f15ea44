"""
Copies of every shipped capture: read by others, true in their checksums, the same findings.

Oracles: scapy, dpkt and tcpdump (libpcap) read the copies; scapy works out checksums anew.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import dpkt
import pytest
from scapy.layers.inet import IP, TCP, UDP
from scapy.utils import PcapNgReader

import auditor
from auditor.capture.merge import open_captures
from auditor.errors import JudgementError, OutputError, UsageError
from auditor.home.loader import load_home
from auditor.inputs import find_sources
from auditor.inventory.timeline import Timeline
from auditor.reduction.match import Reduction
from auditor.reduction.reduce import reduce
from auditor.units import format_time
from tests.household.home import HUB, LAPTOP, LIGHT, PHONE, ROUTER, START_NS
from tests.household.stories import app_control
from tests.scenarios.support import command, on_the_path

CAPTURES = sorted((Path(__file__).parents[3] / "captures").glob("*.pcapng"))
HOMES = {path: path.with_suffix(".home.yaml") for path in CAPTURES}
CASES = [(path, None) for path in CAPTURES] + [(path, home) for path, home in HOMES.items() if home.exists()]


@pytest.fixture(
    scope="module", params=CASES, ids=lambda case: case[0].stem + (" with its home file" if case[1] else "")
)
def made(request, tmp_path_factory) -> tuple[Path, Path, Reduction]:
    path, home = request.param
    output = tmp_path_factory.mktemp("copy") / "copy.pcapng"
    return path, output, reduce(path, output, home=home, strict=True)


def test_the_findings_are_the_same(made):
    _, output, reduction = made
    assert reduction.missing == ()
    assert reduction.added == ()
    again = auditor.audit(
        output, devices=reduction.chosen, home=output.with_suffix(".home.yaml"), reveal=True
    )
    found = {row["finding_id"] for row in json.loads(again.to_json())["findings"]}
    assert len(found) == reduction.same + len(reduction.renamed) > 0
    assert {new for _, _, new in reduction.renamed} <= found


def test_the_home_file_names_nobody_else(made):
    _, output, _ = made
    text = output.with_suffix(".home.yaml").read_text("utf-8")
    others = [host.link for host in (HUB, PHONE, LAPTOP, ROUTER)]
    assert [link for link in others if link in text] == []
    assert "guest phone" not in text
    assert "laptop" not in text
    assert "pseudonym_key" not in text
    assert load_home(output.with_suffix(".home.yaml")).devices


def test_actions_keep_their_times_and_lose_their_words(tmp_path):
    def story(made):
        made.note("action: app and then Ottilie laughed")
        made.arp(LIGHT, ROUTER)  # the note stands on this packet, which is in the copy
        made.note("action: Ottilie came home")
        app_control(made, PHONE, HUB)
        made.note("power-on of Ottilie's lamp")
        app_control(made, PHONE, LIGHT)

    path = on_the_path(story).write(tmp_path / "r.pcapng")
    home = tmp_path / "home.yaml"
    home.write_text(
        f"devices: [{{link_address: '{LIGHT.link}', role: lighting, nickname: desk}}, "
        f"{{link_address: '{PHONE.link}', role: phone, nickname: Ottilie}}]\n"
        "keep: [{wish: phone-control, from: Ottilie, to: desk}]\n"
        f"actions: [{{at: '{format_time(START_NS + 9 * 10**9)}', what: Ottilie sang}}]\n"
        "accepted: [{rule: light-control-without-login, device: desk, because: Ottilie wants it, "
        "until: '2099-01-01'}]\n",
        "utf-8",
    )
    output = tmp_path / "copy.pcapng"
    made = reduce(path, output, home=home, devices=["desk"], strict=True)
    assert (made.missing, made.added) == ((), ())
    beside = load_home(tmp_path / "copy.home.yaml")
    assert [entry.rule for entry in beside.accepted] == ["light-control-without-login"]
    assert {one.role for one in beside.devices} >= {"lighting", "phone"}
    assert beside.keep[0].from_device not in {None, "Ottilie", PHONE.link}
    octets = output.read_bytes() + (tmp_path / "copy.home.yaml").read_bytes()
    assert b"ottilie" not in octets.lower()

    def actions(capture, home_file):
        with open_captures(find_sources([capture])) as captures:
            for _ in captures:
                pass
        return [one.at_ns for one in Timeline(load_home(home_file), captures.facts).actions]

    assert actions(output, tmp_path / "copy.home.yaml") == actions(path, home)
    assert len(actions(path, home)) == 4
    with output.open("rb") as file:
        assert b"action: app" in file.read()


def test_a_home_file_of_somebody_is_left_alone(tmp_path):
    (tmp_path / "copy.home.yaml").write_text("devices: []\n")
    with pytest.raises(OutputError, match="nothing was written"):
        reduce(CAPTURES[-1], tmp_path / "copy.pcapng")
    assert [path.name for path in tmp_path.iterdir()] == ["copy.home.yaml"]
    done = command(
        "reduce", CAPTURES[-1], "--home", tmp_path / "copy.home.yaml", "--output", tmp_path / "copy.pcapng"
    )
    assert done.returncode == 2
    assert (tmp_path / "copy.home.yaml").read_text() == "devices: []\n"


def test_others_read_the_copy(made):
    _, output, reduction = made
    with output.open("rb") as file:
        assert sum(1 for _ in dpkt.pcapng.Reader(file)) == reduction.copied.kept
    assert sum(1 for _ in PcapNgReader(str(output))) == reduction.copied.kept


def test_libpcap_reads_the_copy(made):
    program = shutil.which("tcpdump")
    if program is None:
        assert not os.environ.get("CI"), "tcpdump is missing"
        pytest.skip("tcpdump is not installed here")
    done = subprocess.run([program, "-nn", "-r", made[1]], capture_output=True, text=True, check=False)
    if done.returncode and "different" in done.stderr:
        assert len(made[2].link_types) > 1, "of one link type"
        return  # libpcap reads no file whose interfaces have two link types, be it a copy or not
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) >= made[2].copied.kept


def test_checksums_are_true(made):
    checked = 0
    for packet in PcapNgReader(str(made[1])):
        if IP not in packet or packet.wirelen != len(packet.original):
            continue
        again = packet.copy()
        del again[IP].chksum
        for layer in (TCP, UDP):
            if layer in again and packet[layer].chksum:
                del again[layer].chksum
        rebuilt = type(packet)(bytes(again))
        assert rebuilt[IP].chksum == packet[IP].chksum
        for layer in (TCP, UDP):
            if layer in packet:
                assert rebuilt[layer].chksum == packet[layer].chksum
                checked += 1
    assert checked


def test_the_same_input_gives_the_same_octets(made, tmp_path):
    home = HOMES[made[0]]
    octets = made[1].read_bytes()
    reduce(made[0], tmp_path / "again.pcapng")
    with_home = tmp_path / "with.pcapng"
    if home.exists():
        reduce(made[0], with_home, home=home)
    again = [path.read_bytes() for path in (tmp_path / "again.pcapng", with_home) if path.exists()]
    assert octets in again


def test_what_cannot_be_done_leaves_nothing(tmp_path):
    with pytest.raises(UsageError):
        reduce("-", tmp_path / "a")
    with pytest.raises(JudgementError):
        reduce(CAPTURES[0], tmp_path / "a", devices=["00:00:5e:00:53:fe"])
    with pytest.raises(OutputError):
        reduce(CAPTURES[-1], tmp_path / "missing" / "a")
    assert list(tmp_path.iterdir()) == []


def test_an_input_is_never_overwritten(tmp_path):
    path = tmp_path / "mine.pcapng"
    path.write_bytes(CAPTURES[-1].read_bytes())
    assert command("reduce", path, "--output", path).returncode == 2
    assert path.read_bytes() == CAPTURES[-1].read_bytes()
