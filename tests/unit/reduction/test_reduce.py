"""
Copies of every shipped capture: read by others, true in their checksums, the same findings.

Oracles: scapy, dpkt and tcpdump (libpcap) read the copies; scapy works out checksums anew.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import dpkt
import pytest
from scapy.layers.inet import IP, TCP, UDP
from scapy.utils import PcapNgReader

from auditor.errors import JudgementError, OutputError, UsageError
from auditor.reduction.reduce import Reduction, reduce
from tests.scenarios.support import command

CAPTURES = sorted((Path(__file__).parents[3] / "captures").glob("*.pcapng"))
NEEDS_MORE = {"not-separated", "controlled-through-cloud", "remote-contact-while-idle"}
"""They hang on what a copy must not hold: the roles of others and the notes in comments."""


@pytest.fixture(scope="module", params=CAPTURES, ids=lambda path: path.stem)
def made(request, tmp_path_factory) -> tuple[Path, Path, Reduction]:
    output = tmp_path_factory.mktemp("copy") / "copy.pcapng"
    return request.param, output, reduce(request.param, output, strict=True)


def test_the_findings_are_the_same(made):
    _, _, reduction = made
    assert {line.split()[0] for line in reduction.missing} <= NEEDS_MORE
    assert reduction.added == ()
    assert reduction.same > 0


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
        assert made[0].stem in {"air-and-wire", "everything-speaks"}, "of one link type"
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
    reduce(made[0], tmp_path / "again.pcapng")
    assert (tmp_path / "again.pcapng").read_bytes() == made[1].read_bytes()


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
