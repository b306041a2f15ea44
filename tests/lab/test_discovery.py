"""
Who tells and asks who is there, recorded live.

Oracles: what the searchers found; ssdp, WSDiscovery, zeroconf, llmnrd with llmnr-query, nbtscan and lldpd made every octet.
"""

import tempfile
from pathlib import Path

import pytest

from auditor.addresses import format_address
from tests.lab.recorded import HUB, LIGHT, PHONE, Recorded, at_home
from tests.lab.roles.discovery import LIGHT_TYPE, UNIQUE_NAME
from tests.scenarios.support import findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-discovery")]


@pytest.fixture(scope="module")
def discovery(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-discovery")
    with (
        at_home(folder, "llmnrd", "llmnr-query", "nbtscan", "lldpd", "ss") as house,
        tempfile.TemporaryDirectory() as open_folder,
    ):
        Path(open_folder).chmod(0o755)  # the client that wakes lldpd runs as nobody in particular
        recorded = Recorded(folder / "discovery.pcap", folder)
        house.record(recorded.capture)
        # Frames to the nearest bridge end at the first port (IEEE 802.1AB, from memory), so not on the bridge itself.
        recorded.lldp = Recorded(folder / "lldp.pcap", folder)
        house.record(recorded.lldp.capture, interface="p-light")
        house.start(
            "light", "lldpd", "-d", "-I", "eth0", "-S", "a light on the shelf", "-u", f"{open_folder}/socket", ready="LLDP enabled",
        )  # fmt: skip
        deeds = recorded.deeds
        house.start_role("light", "discovery.ssdp_light", LIGHT.ipv4)
        deeds["ssdp search"] = house.role("phone", "discovery.ssdp_search", PHONE.ipv4)
        deeds["ssdp"] = house.await_last()
        house.start_role("hub", "discovery.wsd_light", HUB.ipv4)
        deeds["ws-discovery"] = house.role("phone", "discovery.wsd_search")
        house.start_role("light", "discovery.mdns_light", LIGHT.ipv4, LIGHT.name)
        deeds["mdns browse"] = house.role("phone", "discovery.mdns_browse", PHONE.ipv4, LIGHT.name)
        deeds["mdns"] = house.await_last()
        house.start("light", "llmnrd", "-H", LIGHT.name, "-i", "eth0")
        house.wait_until("light", "ss", "-lun", holds=":5355")
        deeds["llmnr"] = house.act("phone", "llmnr-query", "-I", "eth0", "-t", "3000", "-T", "A", LIGHT.name)
        deeds["netbios"] = house.act("phone", "nbtscan", "-v", "-t", "500", f"{LIGHT.ipv4}/32")
        recorded.lldp.done()
        return recorded.done()


def test_nothing_was_unreadable(discovery):
    assert [(issue.where, issue.problem) for issue in discovery.issues + discovery.lldp.issues] == []


def test_a_device_that_comes_is_found_and_goes_is_told(discovery):
    told = [one.message for one in discovery.messages("ssdp", deed="ssdp", source=LIGHT)]
    [search] = [one.message for one in discovery.messages("ssdp", deed="ssdp search", source=PHONE)]
    found = discovery.said("ssdp search")

    assert discovery.said("ssdp")["said"] == ["ssdp:alive", "ssdp:byebye"]
    assert [one.kind for one in told] == ["alive", "response", "byebye"]
    assert {one.unique_name for one in told} == {UNIQUE_NAME} == {found["USN"]}
    assert (search.kind, search.target) == ("search", LIGHT_TYPE)
    assert told[1].location == found["LOCATION"]
    assert told[0].max_age_seconds == 1800


def test_a_probe_and_a_hello_are_told(discovery):
    hellos = [
        one.message for one in discovery.messages("ws-discovery", source=HUB) if one.message.kind == "hello"
    ]
    probes = [
        one.message
        for one in discovery.messages("ws-discovery", deed="ws-discovery", source=PHONE)
        if one.message.kind == "probe"
    ]
    assert discovery.said("ws-discovery") == [[f"http://{HUB.ipv4}/service"]]
    assert {target.types for one in hellos for target in one.targets} == {("Light",)}
    assert len({one.message_identifier for one in probes}) == 1  # repeated, not asked anew
    assert {target.transport_addresses for one in hellos for target in one.targets} == {
        (f"http://{HUB.ipv4}/service",)
    }


def test_what_matches_a_probe_is_told(discovery):
    matches = [
        one.message
        for one in discovery.messages("ws-discovery", deed="ws-discovery", source=HUB)
        if one.message.kind == "probe-matches"
    ]

    assert {target.transport_addresses for one in matches for target in one.targets} == {
        (f"http://{HUB.ipv4}/service",)
    }


def test_an_announcement_and_its_goodbye_are_told(discovery):
    service = f"{LIGHT.name}._http._tcp.local"
    told = [
        (one.timestamp_ns, record.time_to_live, record.port)
        for one in discovery.messages("mdns", source=LIGHT)
        if one.message.is_response
        for record in one.message.answers
        if record.name == service and record.record_type == 33  # SRV (RFC 2782)
    ]
    leaving = discovery.said("mdns")["leaving_ns"]

    assert discovery.said("mdns browse") == {"found": True, "port": 80, "addresses": [LIGHT.ipv4]}
    assert {port for _, _, port in told} == {80}
    assert {life > 0 for when, life, _ in told if when < leaving} == {True}
    assert {life for when, life, _ in told if when > leaving} == {0}  # RFC 6762 section 10.1


def test_a_probe_for_the_name_and_a_browser_are_told_apart(discovery):
    asked = {
        (one.source.port, bool(one.message.authorities))
        for one in discovery.messages("mdns", source=LIGHT)
        if not one.message.is_response
    }
    browsed = discovery.messages("mdns", deed="mdns browse", source=PHONE)

    assert asked == {(5353, True)}  # what it wants to own is among the authorities (RFC 6762 section 8.2)
    assert browsed
    assert not any(one.message.authorities for one in browsed)


def test_what_the_announcement_gives_away_is_found(discovery):
    assert findings(discovery.document, "hardware-address-disclosed", host=LIGHT)
    assert findings(discovery.document, "version-disclosed", host=LIGHT)
    services = discovery.services(LIGHT)
    assert services["tcp", 80]["state"] == "announced"


def test_a_name_asked_of_the_link_is_told(discovery):
    [question] = [one.message for one in discovery.messages("llmnr", deed="llmnr", source=PHONE)]
    [answer] = [one.message for one in discovery.messages("llmnr", deed="llmnr", source=LIGHT)]

    assert f"LLMNR response: {LIGHT.name} IN A {LIGHT.ipv4}" in discovery.said("llmnr")
    assert [one.name for one in question.questions] == [LIGHT.name]
    assert [format_address(one.address) for one in answer.answers] == [LIGHT.ipv4]


def test_a_scan_for_netbios_names_is_told(discovery):
    [asked] = [one.message for one in discovery.messages("netbios-ns", deed="netbios", source=PHONE)]

    assert (asked.kind, asked.is_status, asked.is_response) == ("query", True, False)
    assert asked.names[0].name == "*"  # RFC 1002 section 4.2.17
    assert discovery.messages("netbios-ns", source=LIGHT) == []  # nothing listens: refused by ICMP


def test_what_a_device_tells_its_switch_is_told(discovery):
    told = [one.message for one in discovery.lldp.messages("lldp")]

    assert told
    # The last one may say that it ends: no life, no description (IEEE 802.1AB, from memory: shutdown).
    assert {one.system_description for one in told if one.time_to_live_seconds} == {"a light on the shelf"}
    assert {one.chassis_link for one in told} == {bytes.fromhex(LIGHT.link.replace(":", ""))}
    assert discovery.messages("lldp") == []  # the bridge kept it


def test_the_groups_that_were_joined_are_told(discovery):
    joined = {
        format_address(group)
        for one in discovery.messages("igmp", source=LIGHT)
        if one.message.kind == "report"
        for group in one.message.groups
    }

    assert {"239.255.255.250", "224.0.0.251", "224.0.0.252"} <= joined  # SSDP, mDNS, LLMNR
