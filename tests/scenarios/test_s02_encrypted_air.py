"""
S02: recorded from the air, encrypted.

Why: on a protected network each station has keys of its own (IEEE 802.11-2020 section 12.7); without the handshake nothing
inside a frame with the Protected bit (section 9.2.4.1.9) can be read.  Link types 105 and 127: LINKTYPE registry.
Oracle for the frames: scapy writes them.
"""

import pytest
from scapy.layers.dot11 import Dot11, Dot11Beacon, Dot11CCMP, Dot11Elt, RadioTap

from tests.household.files import Captured, pcapng
from tests.household.home import LIGHT, ROUTER, START_NS
from tests.scenarios.support import assert_calm, assert_honest, run, text_of

STATION, ACCESS_POINT = LIGHT.link, ROUTER.link
SENT, RECEIVED = 40, 25
TO_DS, FROM_DS, PROTECTED = 0x01, 0x02, 0x40  # IEEE 802.11-2020 9.2.4.1, second octet


def frames(head):
    """Data frames both ways (to and from the distribution system) and beacons."""
    made = []
    for turn in range(SENT + RECEIVED):
        to_access_point = turn < SENT
        flags = PROTECTED | (TO_DS if to_access_point else FROM_DS)
        ends = (
            (ACCESS_POINT, STATION, ACCESS_POINT) if to_access_point else (STATION, ACCESS_POINT, ROUTER.link)
        )
        data = Dot11(type=2, subtype=8, FCfield=flags, addr1=ends[0], addr2=ends[1], addr3=ends[2])
        made.append(bytes(head / data / bytes(2) / Dot11CCMP(data=bytes([turn]) * 90)))
    beacon = Dot11(type=0, subtype=8, addr1="ff:ff:ff:ff:ff:ff", addr2=ACCESS_POINT, addr3=ACCESS_POINT)
    made.append(bytes(head / beacon / Dot11Beacon() / Dot11Elt(ID="SSID", info=b"home.example")))
    return [
        Captured(time_ns=START_NS + 2_000_000_000 * place, octets=octets, original_octets=len(octets))
        for place, octets in enumerate(made)
    ]


@pytest.fixture(scope="module", params=[105, 127], ids=["plain", "radiotap"])
def document(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("s02")
    head = RadioTap() if request.param == 127 else b""
    path = folder / "air.pcapng"
    path.write_bytes(pcapng(frames(head), link_type=request.param))
    return run(path, folder, devices=())


def test_it_is_there_and_cannot_be_read(document):
    assert document["coverage"]["vantage"] == "wireless-encrypted"
    assert document["captures"][0]["packets"] == SENT + RECEIVED + 1
    assert "payload-visible" not in document["coverage"]["abilities"]


def test_frames_are_counted_by_station(document):
    reasons = " ".join(entry["reason"] for entry in document["coverage"]["could_not_see"])

    assert f"{STATION} {SENT} frames" in reasons
    assert f"{ACCESS_POINT} {RECEIVED} frames" in reasons
    assert "encrypted" in reasons
    assert any("mirror port" in entry["record_next"] for entry in document["coverage"]["could_not_see"])


def test_no_flows_is_not_a_quiet_device(document):
    assert not any(a["outcome"] == "not-found" for a in document["assessments"])
    assert document["findings"] == []
    assert "quiet" not in text_of(document)
    assert_calm(document)
    assert_honest(document)


def test_a_device_that_is_asked_for_is_undetermined(tmp_path):
    path = tmp_path / "air.pcapng"
    path.write_bytes(pcapng(frames(RadioTap()), link_type=127))

    document = run(path, tmp_path)

    assert document["findings"] == []
    assert not any(a["outcome"] == "not-found" for a in document["assessments"])
