"""
A network laid over the home's own, recorded live.

Oracle: what the two ends of it said to each other; the kernel made every octet of VXLAN (RFC 7348).
"""

import pytest

from auditor.dissect.protocols.vxlan import VxlanPacket
from tests.lab.recorded import HUB, LIGHT, Recorded, at_home

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-tunnels")]

IDENTIFIER = 77
ENDS = {"light": ("02:00:00:00:09:01", "10.9.0.1"), "hub": ("02:00:00:00:09:02", "10.9.0.2")}


@pytest.fixture(scope="module")
def tunnel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-tunnels")
    with at_home(folder) as house:
        recorded = Recorded(folder / "tunnel.pcap", folder)
        house.record(recorded.capture)
        for name, remote in (("light", HUB.ipv4), ("hub", LIGHT.ipv4)):
            room, (link, address) = house.room(name), ENDS[name]
            house.ip(
                "-n", room, "link", "add", "over", "address", link, "type", "vxlan", "id", str(IDENTIFIER), "remote", remote,
                "dstport", "4789", "dev", "eth0",
            )  # fmt: skip
            house.ip("-n", room, "addr", "add", f"{address}/24", "dev", "over")
            house.ip("-n", room, "link", "set", "over", "up")
        house.start_role("light", "addresses.echo", ENDS["light"][1])
        recorded.deeds["call"] = house.role("hub", "addresses.call", ENDS["light"][1])
        return recorded.done()


def test_what_lies_inside_is_named_and_not_read(tunnel):
    packets = [one.message for one in tunnel.messages("vxlan", deed="call", kind=VxlanPacket)]
    links = {bytes.fromhex(link.replace(":", "")) for link, _ in ENDS.values()}
    calls = [
        one
        for one in packets
        if one.inner_ethertype == 0x0800 and {one.inner_source, one.inner_destination} == links
    ]

    assert {one.network_identifier for one in packets} == {IDENTIFIER}
    assert len(calls) == 2 * tunnel.said("call")  # there and back
    assert tunnel.issues == []


def test_who_talks_is_told_by_the_outer_addresses(tunnel):
    assert {
        (one.source.link_address, one.destination.link_address) for one in tunnel.messages("vxlan", deed="call")
    } <= {
        tuple(bytes.fromhex(host.link.replace(":", "")) for host in pair) for pair in ((LIGHT, HUB), (HUB, LIGHT))
    }  # fmt: skip
    assert tunnel.messages("vxlan", deed="call", source=HUB)
    assert tunnel.messages("vxlan", deed="call", source=LIGHT)
