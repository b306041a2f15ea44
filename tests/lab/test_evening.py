"""
The lab's evening: real servers and clients between network namespaces, recorded on the bridge.

Oracles: what the clients were told (statuses, return codes), dpkt for the packets; the servers are dnsmasq, udhcpc, chrony,
mosquitto, zeroconf, sacn and the standard library.
"""

import dpkt
import pytest

from tests.household.home import CLOUD, HUB, LIGHT, PHONE
from tests.scenarios.support import contacts, controls, device, device_id, findings, outcomes, run

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-evening")]


@pytest.fixture(scope="session")
def document(evening, tmp_path_factory):
    return run(evening.capture, tmp_path_factory.mktemp("lab-home"))


def ports_of(capture):
    """(transport, source port, target port) of every packet, by dpkt."""
    with capture.open("rb") as file:
        for _, octets in dpkt.pcap.Reader(file):
            packet = dpkt.ethernet.Ethernet(octets).data
            if isinstance(packet, dpkt.ip.IP) and isinstance(packet.data, dpkt.tcp.TCP | dpkt.udp.UDP):
                yield type(packet.data).__name__, packet.data.sport, packet.data.dport


def test_the_evening_went_as_planned(evening):
    assert evening.statuses == {
        "read": [200], "switch": [200, 200], "configure without login": [401], "configure with login": [200],
    }  # fmt: skip
    assert evening.broker == {"1883 password": True, "1883 anonymous": False, "1884 anonymous": True}
    assert LIGHT.ipv4 in evening.lease
    assert evening.cloud_said == "hello"
    assert evening.stratum == 8


def test_the_bridge_recorded_all_of_it(evening):
    seen = {(kind, target) for kind, _, target in ports_of(evening.capture)}

    assert seen >= {
        ("UDP", 67), ("UDP", 53), ("UDP", 123), ("UDP", 5353), ("UDP", 5568),
        ("TCP", 80), ("TCP", 443), ("TCP", 1883), ("TCP", 1884),
    }  # fmt: skip


def test_the_light_is_known_by_lease_and_announcement(document):
    light = device(document, LIGHT)

    assert LIGHT.ipv4 in light["addresses"]
    assert any(name.startswith(LIGHT.name) for name in light["hostnames"])
    assert "joining-seen" in light["abilities"]
    assert document["coverage"]["vantage"] == "on-path"


def test_every_request_of_the_phone_is_told_as_it_ended(document, evening):
    phone = device_id(document, PHONE)

    [read] = controls(document, LIGHT, effect="read", from_id=phone)
    [switch] = controls(document, LIGHT, effect="light", from_id=phone)
    configure = {c["answered"]: c for c in controls(document, LIGHT, effect="configuration", from_id=phone)}
    assert read["count"] == len(evening.statuses["read"])
    assert (switch["count"], switch["authentication"], switch["answered"]) == (2, "none", True)
    assert set(configure) == {True, False}
    assert configure[True]["authentication"] == "accepted"
    assert configure[False]["count"] == 1


def test_the_rules_follow(document):
    assert findings(document, "light-control-without-login", host=LIGHT)
    assert findings(document, "configuration-without-login", host=LIGHT) == []
    assert findings(document, "password-in-clear-text")
    assert "lantern-and-ladder" not in str(document)


def test_only_the_open_broker_is_told_to_be_open(document):
    opened = findings(document, "broker-accepts-anonymous")

    assert len(opened) == 1
    services = {
        s["port"]: s["state"] for s in document["services"] if s["device_id"] == device_id(document, HUB)
    }
    assert {services[1883], services[1884]} == {"answered"}


def test_the_cloud_has_its_name_and_the_clock_is_at_home(document):
    [cloud] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]

    assert (cloud["name"], cloud["port"], cloud["confidentiality"]) == (CLOUD.name, 443, "tls")
    assert outcomes(document, "outside-time-server", LIGHT) == {"not-found"}


def test_the_show_is_the_hubs(document, evening):
    sent = sum(target == 5568 for _, _, target in ports_of(evening.capture))
    [load] = findings(document, "multicast-lighting-load", host=HUB)
    [data] = [c for c in document["controls"] if c["protocol"] == "e131"]

    assert "1 universes" in load["summary"]
    assert data["from_id"] == device_id(document, HUB)
    assert sent > 10
    assert (
        sent - 3 <= data["count"] <= sent
    )  # the last three say that the stream ends (ANSI E1.31-2018, from memory: 6.2.6)


def test_the_light_asks_the_resolver_it_was_offered(document):
    assert outcomes(document, "resolver-not-offered", LIGHT) == {"not-found"}
