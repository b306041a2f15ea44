"""
What a plan says of the home's prefixes, and which one it gives to the lights.

Sources: RFC 1918 (private prefixes), RFC 4632 3.1 (longest prefix; overlapping ones), RFC 4861 4.6.2, RFC 4193; no planned
prefix may overlap a recorded one, checked by the standard library's ``ipaddress``.
"""

import ipaddress
from dataclasses import replace

import pytest

from auditor.addresses import format_address
from auditor.inventory.model import KnownPrefix
from auditor.isolation.addressing import plan_addresses
from auditor.isolation.prefix_notes import tell_prefixes
from tests.household.home import LIGHT, PHONE, ROUTER, Segment
from tests.household.stories import good_vantage
from tests.isolation_households import FINE, STATE, propose_for
from tests.scenarios.support import on_the_path

NET = ipaddress.ip_network


def told(*prefixes):
    return " ".join(
        tell_prefixes(
            [KnownPrefix(network=NET(text), source=source, vlans=vlans) for text, source, vlans in prefixes]
        )
    )


@pytest.mark.parametrize("wide", ["192.168.76.0/22", "192.168.0.0/16", "192.168.64.0/18", "10.0.0.0/8"])
def test_the_new_prefix_lies_outside_a_wide_network(wide, tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    known = (KnownPrefix(network=NET(wide), source="lease"),)
    made = plan_addresses(replace(proposal.inventory, prefixes=known), proposal.addressing.planned)

    assert made.lights_prefix is not None
    assert not made.lights_prefix.overlaps(NET(wide))
    assert made.lights_prefix.is_private


def test_a_wide_network_by_its_leases(tmp_path):
    """The home has 192.168.76.0/22: the /24 behind the lights' own lies inside it and must not be taken."""
    wide = Segment(ROUTER, ("192.168.76.0/22", "fd00:77::/64"))
    recording = on_the_path(lambda r: r.http_exchange(PHONE, LIGHT, STATE, FINE), segment=wide)

    proposal = propose_for(recording, tmp_path)
    assert str(proposal.addressing.lights_prefix) == "192.168.80.0/24"
    assert "/22, by the subnet mask of the recorded leases" in " ".join(proposal.recommended.beside)


def test_what_is_assumed_is_said(tmp_path):
    recording = on_the_path(lambda r: r.http_exchange(PHONE, LIGHT, STATE, FINE))
    assert "/24, by the subnet mask" in " ".join(propose_for(recording, tmp_path).recommended.beside)
    assert "/24 is assumed" in told(("192.168.77.0/24", "assumed", ()))
    assert "/22 or wider" in told(("192.168.76.0/22", "observed", ()))


def test_overlapping_networks_and_one_prefix_twice_are_told():
    overlap = told(("192.168.76.0/22", "lease", ()), ("192.168.77.0/24", "lease", ()))
    assert "overlap (/22 and /24)" in overlap
    assert "another subnet before anything else" in overlap
    assert "VLAN 10 and 20" in told(("192.168.77.0/24", "lease", (10, 20)))
    assert "overlap" not in told(("192.168.76.0/24", "lease", ()), ("192.168.77.0/24", "lease", ()))


def test_ipv6_prefixes_are_counted_never_named():
    text = told(("2001:db8:77::/64", "advertised", ()), ("fd00:77::/64", "advertised", ()))
    assert "2 prefixes of 64 bits" in text
    assert "2001" not in text
    assert "IPv6" not in told(("192.168.77.0/24", "lease", ()))


def test_many_networks_make_few_notes():
    many = [(f"10.{place}.0.0/{8 + place % 16}", "lease", ()) for place in range(64)]
    made = [KnownPrefix(network=NET(text, strict=False), source=source) for text, source, _ in many]
    assert len(list(tell_prefixes(made))) == 16


def test_hosts_of_a_small_network_of_the_lights_stay_inside(tmp_path):
    """A /29 of their own has 6 hosts; nobody gets an address beyond."""
    proposal = propose_for(good_vantage(), tmp_path)
    devices = proposal.inventory.devices
    lights = frozenset(d.device_id for d in devices if "lighting" in d.roles)
    own = NET("192.168.77.16/29")
    others = ("192.168.77.0/28", "192.168.77.24/29", "192.168.77.32/27", "192.168.77.64/26")
    known = [KnownPrefix(network=NET(text), source="lease") for text in (str(own), *others)]
    made = plan_addresses(
        replace(proposal.inventory, prefixes=tuple(known)), {d.device_id for d in devices}, lights
    )
    assert made.lights_prefix == own
    assert made.is_parted_already
    planned = [ipaddress.ip_address(format_address(one)) for one in made.planned.values()]
    assert planned
    assert all(one in own for one in planned)
    assert len(set(planned)) == len(planned)
