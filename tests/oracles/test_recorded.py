"""
Recordings by others, against what their packages and two other readers expect.

``tests/corpus`` is in every checkout.  The larger collection is found through
AUDITOR_RECORDED or beside the checkout.
"""

import csv
import io
import os
from pathlib import Path

import dpkt
import numpy as np
import pytest
from scapy.utils import RawPcapNgReader, RawPcapReader

from auditor.capture.reader import open_capture
from auditor.packets.decode import decode_batch

SMALL = Path(__file__).parents[1] / "corpus"
LARGE = Path(os.environ.get("AUDITOR_RECORDED", Path(__file__).parents[3] / "shared" / "recorded"))


def read(path):
    packets, frames, times = 0, [], []
    with open_capture(path) as reader:
        for chunk in reader:
            batch = decode_batch(chunk)
            packets += len(batch)
            ends = chunk.offsets + chunk.captured_length
            assert (batch.payload_offset + batch.payload_length <= ends).all()
            for start, end in zip(chunk.offsets.tolist(), ends.tolist(), strict=True):
                frames.append(bytes(chunk.buffer[start:end]))
            times += chunk.timestamp_ns.tolist()
        return frames, times, reader.facts


def catalogue(folder):
    with (folder / "catalogue.csv").open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", catalogue(SMALL), ids=lambda row: row["file"])
def test_small_recordings(row):
    frames, _, facts = read(SMALL / row["file"])

    assert len(frames) == facts.packets == int(row["packets"])
    assert facts.clipped_packets == int(row["clipped"])
    assert {str(item.link_type) for item in facts.interfaces} == set(row["link_types"].split("+"))
    assert facts.sha256 == row["sha256"]


@pytest.mark.corpus
def test_large_collection():
    if not (LARGE / "catalogue.csv").is_file():
        pytest.skip("the larger collection is not here; AUDITOR_RECORDED names its folder")
    wrong, compared = [], 0
    for row in catalogue(LARGE):
        frames, times, facts = read(LARGE / row["file"])
        types = {int(item.split("=")[0]) for item in row["linktypes"].split(";") if item}
        expected = (int(row["packets"]), types, row["sha256"])
        if (facts.packets, {item.link_type for item in facts.interfaces}, facts.sha256) != expected:
            wrong.append((row["file"], facts.packets, row["packets"]))
        if facts.clipped_packets != int(row["packets_cut_by_snaplen"]):
            wrong.append((row["file"], "clipped", facts.clipped_packets, row["packets_cut_by_snaplen"]))
        # scapy reads simple packet blocks as empty; zeros that were never written are counted, not delivered.
        if not any(
            "simple packet" in issue.detail or "never written" in issue.detail for issue in facts.issues
        ):
            compared += compare_with_scapy(LARGE / row["file"], frames, times)
    assert wrong == []
    assert compared > 400


def compare_with_scapy(path, frames, times):
    """Octets and times as scapy reads them, where it reads the whole file."""
    octets = path.read_bytes()
    theirs, their_times = [], []
    try:
        if octets[:4] == b"\x0a\x0d\x0d\x0a":
            for frame, meta in RawPcapNgReader(io.BytesIO(octets)):
                theirs.append(frame)
                raw = ((meta.tshigh or 0) << 32) + (meta.tslow or 0)
                their_times.append(None if meta.tshigh is None else raw * 10**9 // meta.tsresol)
        else:
            reader = RawPcapReader(io.BytesIO(octets))
            unit = 1 if reader.nano else 1000
            for frame, meta in reader:
                theirs.append(frame)
                their_times.append(meta.sec * 10**9 + meta.usec * unit)
    except Exception:
        return 0
    if len(theirs) != len(frames):
        return 0  # scapy ends where a block breaks its format; the catalogue has the count
    assert theirs == frames, path
    assert all(theirs is None or theirs == ours for theirs, ours in zip(their_times, times, strict=True)), (
        path
    )
    return 1


def test_dpkt_agrees_on_addresses_and_ports():
    """Every IP packet over Ethernet in the small recordings, header by header (dpkt 1.9.8, BSD)."""
    compared = 0
    for row in catalogue(SMALL):
        if row["link_types"] != "1":
            continue
        with open_capture(SMALL / row["file"]) as reader:
            for chunk in reader:
                batch = decode_batch(chunk)
                for number in np.flatnonzero((batch.marks == 0) & (batch.ip_version > 0)).tolist():
                    start = int(batch.frame_offset[number])
                    frame = bytes(chunk.buffer[start : start + int(batch.captured_length[number])])
                    try:
                        packet = dpkt.ethernet.Ethernet(frame).data
                    except dpkt.dpkt.UnpackError:
                        continue
                    if isinstance(packet, dpkt.pppoe.PPPoE):
                        packet = packet.data.data
                    words = (
                        batch.source_high[number : number + 1].tobytes()
                        + batch.source_low[number : number + 1].tobytes()
                    )
                    assert words.endswith(packet.src)
                    if isinstance(packet.data, (dpkt.udp.UDP, dpkt.tcp.TCP)):
                        assert batch.source_port[number] == packet.data.sport
                        assert batch.destination_port[number] == packet.data.dport
                    compared += 1
    assert compared > 40
