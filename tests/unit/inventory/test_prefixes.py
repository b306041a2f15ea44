"""
Prefixes of the home's networks, from leases, advertisements and who spoke to whom.

Sources: RFC 2132 3.3 (a mask is ones, then zeros; 255.255.252.0 has 22), RFC 4861 4.6.2, RFC 1122 3.3.1.1, IEEE 802.1Q; the
arithmetic is checked by the standard library's ``ipaddress``.  /24 where nothing was recorded: common practice.
"""

import ipaddress
from dataclasses import replace

import pytest

from auditor import pipeline
from auditor.addresses import parse_address
from auditor.inventory.prefixes import covering
from tests.builders import Recording
from tests.household.home import LIGHT, MAIN, PHONE, ROUTER, Segment
from tests.household.messages import http_request, http_response

FAR_PHONE = replace(PHONE, ipv4="192.168.78.51")
STATE, FINE = http_request("GET", "/json/state", LIGHT.ipv4), http_response(200, {})


def prefixes_of(recording, folder):
    path = recording.write(folder / "recording.pcapng")
    run = pipeline._read([path], devices=[LIGHT.link], home=pipeline._home(None), strict=True, progress=None)
    return {str(one.network): (one.source, one.vlans) for one in run.inventory.prefixes}


@pytest.mark.parametrize("length", [20, 22, 23, 24, 25, 28])
def test_the_mask_of_a_lease(tmp_path, length):
    wide = ipaddress.ip_network(f"192.168.77.0/{length}", strict=False)
    recording = Recording(segment=Segment(ROUTER, (str(wide), "fd00:77::/64")))
    host = replace(LIGHT, ipv4=str(wide[5]))
    recording.dhcp_lease(host)
    recording.http_exchange(PHONE, host, STATE, FINE)

    found = prefixes_of(recording, tmp_path)
    assert found[str(wide)] == ("lease", ())
    assert all(
        source == "lease" or not ipaddress.ip_network(one).subnet_of(wide)
        for one, (source, _) in found.items()
    )


def test_without_a_lease_it_is_assumed(tmp_path):
    recording = Recording()
    recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    assert prefixes_of(recording, tmp_path) == {"192.168.77.0/24": ("assumed", ())}


def test_neighbours_that_ask_for_each_other_share_a_prefix(tmp_path):
    """192.168.77.21 and 192.168.78.51 differ in bit 23 from the left and after: 192.168.76.0/22 holds both."""
    segment = Segment(ROUTER, ("192.168.76.0/22", "fd00:77::/64"))
    recording = Recording(segment=segment)
    recording.arp(FAR_PHONE, LIGHT)
    recording.http_exchange(FAR_PHONE, LIGHT, STATE, FINE)

    assert prefixes_of(recording, tmp_path) == {"192.168.76.0/22": ("observed", ())}


def test_across_a_router_nothing_is_shared(tmp_path):
    recording = Recording()  # the far phone is beyond the router of this segment
    recording.http_exchange(FAR_PHONE, LIGHT, STATE, FINE)

    recording.arp(LIGHT, ROUTER)
    assert prefixes_of(recording, tmp_path) == {
        "192.168.77.0/24": ("assumed", ()),
        "192.168.78.0/24": ("assumed", ()),
    }


def test_advertised_prefixes(tmp_path):
    recording = Recording()
    recording.router_advertisement()
    recording.http_exchange(PHONE, LIGHT, STATE, FINE, family="ipv6")

    assert prefixes_of(recording, tmp_path)["fd00:77::/64"] == ("advertised", ())


def test_one_prefix_in_two_vlans_is_two_networks(tmp_path):
    recording = Recording(segment=replace(MAIN, vlan=10))
    recording.http_exchange(PHONE, LIGHT, STATE, FINE)
    recording.segment = replace(MAIN, vlan=20)
    twin = replace(LIGHT, link="00:00:5e:00:53:a1", ipv4="192.168.77.91")
    other = replace(PHONE, link="00:00:5e:00:53:a2", ipv4="192.168.77.92")
    recording.http_exchange(other, twin, STATE, FINE)

    assert prefixes_of(recording, tmp_path) == {"192.168.77.0/24": ("assumed", (10, 20))}


def test_a_host_in_both_vlans_proves_nothing(tmp_path):
    """A mirror port copies a frame as it comes and as it goes."""
    recording = Recording(segment=replace(MAIN, vlan=10))
    recording.http_exchange(PHONE, LIGHT, STATE, FINE)
    recording.segment = replace(MAIN, vlan=20)
    recording.http_exchange(PHONE, LIGHT, STATE, FINE)

    assert prefixes_of(recording, tmp_path) == {"192.168.77.0/24": ("assumed", ())}


def test_the_longest_prefix_holds_an_address():
    networks = [ipaddress.ip_network(text) for text in ("10.0.0.0/8", "10.1.0.0/16", "2001:db8::/32")]

    assert str(covering(networks, parse_address("10.1.2.3"))) == "10.1.0.0/16"
    assert str(covering(networks, parse_address("10.2.2.3"))) == "10.0.0.0/8"
    assert str(covering(networks, parse_address("2001:db8::1"))) == "2001:db8::/32"
    assert covering(networks, parse_address("192.0.2.1")) is None
