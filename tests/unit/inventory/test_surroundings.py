"""
Where a device stands: its segment, its wireless networks, its commissioning window, its names, its greetings.

Sources: RFC 2132 section 3.3, RFC 4291 section 2.5.4, IEEE 802.1Q (segments); IEEE 802.11-2020 section 9.4.1.4
(privacy), RFC 6763 sections 6 and 6.4 (keys without regard to case), RFC 6762 section 10.1 (goodbye), RFC 4795 section
2.1.1, RFC 1002 section 4.2.2, RFC 4253 section 4.2, RFC 8106 section 5.1.
"""

from dataclasses import replace

import pytest

from auditor.addresses import parse_address, parse_link
from auditor.dissect.protocols import wireless
from auditor.dissect.protocols.ftp import FtpReply
from auditor.dissect.protocols.llmnr import LinkNameMessage
from auditor.dissect.protocols.nbns import NetbiosName, NetbiosNameMessage
from auditor.dissect.protocols.neighbour import NeighbourMessage
from auditor.dissect.protocols.ssh import SshIdentification
from auditor.dissect.syntax.dns_message import TextKey
from auditor.home.model import HomeDevice, Keep
from auditor.wire import Cursor
from tests.household import air
from tests.unit.inventory.scenes import (
    CLOUD,
    HUB,
    IP,
    LAPTOP,
    LIGHT,
    PHONE,
    ROUTER,
    Scene,
    address_record,
    by_link,
    end,
    facts_of,
    http_response,
    light_home,
)

NAMED = (
    HomeDevice(link_address=parse_link(LAPTOP), role="computer", nickname=None),
    HomeDevice(link_address=parse_link(HUB), role="hub", nickname=None),
    HomeDevice(link_address=parse_link(ROUTER), role="router", nickname=None),
)


def scene(**home):
    made = Scene(home=light_home(more=NAMED, **home), chosen=(LIGHT,))
    made.others()
    return made


def own(made, word, link=LIGHT):
    inventory = made.build()
    return facts_of(inventory, word, by_link(inventory, link).device_id)


# -- separation


def test_a_computer_with_the_same_prefix_and_router_shares_the_segment():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    made.arp(ROUTER, IP[LIGHT])
    [fact] = own(made, "separation")

    assert (fact.shares_segment, fact.shares_gateway, fact.wished) == (True, True, False)
    assert {"computer", "hub"} <= set(fact.neighbour_roles)
    assert fact.evidence


def test_another_prefix_is_another_segment():
    made = scene()
    made.arp(LIGHT, "192.168.78.1", address="192.168.78.20")
    [fact] = own(made, "separation")

    assert fact.shares_segment is False
    assert fact.neighbours == 0


def test_another_vlan_is_another_segment():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    made.flows[-1] = replace(made.flows[-1], key=made.flows[-1].key._replace(vlan_id=30))
    [fact] = own(made, "separation")

    assert fact.shares_segment is False


def test_neighbours_that_nobody_can_name_leave_it_open():
    made = Scene(home=light_home(), chosen=(LIGHT,))
    made.arp(LIGHT, IP[ROUTER])
    made.arp(HUB, IP[ROUTER])
    [fact] = own(made, "separation")

    assert fact.shares_segment is None


def test_the_mask_of_the_lease_decides():
    made = scene()
    made.lease(LIGHT, "192.168.77.130")
    inside = own(made, "separation")[0].shares_segment
    made = scene()
    made.lease(LIGHT, "192.168.77.130")
    lease = made.builder.identity.leases.rows[parse_link(LIGHT)]
    lease.mask_length = 25
    [fact] = own(made, "separation")

    assert inside is True
    assert fact.shares_segment is False


@pytest.mark.parametrize(("from_device", "wished"), [(None, True), ("shelf light", True), (LAPTOP, False)])
def test_the_household_wishes_for_it(from_device, wished):
    made = scene(keep=(Keep(wish="separation", from_device=from_device, to_device=None),))
    made.arp(LIGHT, IP[ROUTER])
    [fact] = own(made, "separation")

    assert fact.wished is wished


# -- wireless networks

FLIPPED = "00:00:5e:10:00:20"  # the light's link address with the U/L bit flipped


def hear(made, *frames):
    for number, octets in enumerate(frames):
        sender, receiver = octets[10:16].hex(":"), octets[4:10].hex(":")
        key = made.flow(end(sender, "0.0.0.0"), end(receiver, "0.0.0.0"), protocol=0, ethertype=0, received=0,
                        outcome="unanswered")  # fmt: skip
        made.flows.pop()
        made.say(key, "ieee80211", wireless.DISSECTOR.parse_datagram(Cursor(octets)), at=1 + number)


def test_nothing_heard_leaves_it_open():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    [fact] = own(made, "wireless-network")

    assert (fact.part, fact.is_open, fact.is_set_up_network, fact.security) == ("unknown", None, None, ())


@pytest.mark.parametrize("cell", [LIGHT, FLIPPED, "02:00:5e:10:00:21"])
def test_an_open_network_of_its_own(cell):
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    hear(made, air.beacon(cell, "light set-up", is_open=True), air.association_request(PHONE, cell, "x", is_open=True))
    [fact] = own(made, "wireless-network")

    assert (fact.part, fact.is_open, fact.is_set_up_network, fact.security) == ("access-point", True, True, ("open",))
    assert (fact.stations, fact.ssid) == (1, "light set-up")


def test_joining_the_protected_network_of_the_home():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    hear(made, air.beacon(ROUTER, "home", is_open=False), air.association_request(LIGHT, ROUTER, "home", is_open=False))
    [fact] = own(made, "wireless-network")

    assert (fact.part, fact.is_open, fact.is_set_up_network, fact.security) == ("station", False, False, ("wpa2",))


def test_a_neighbours_network_is_nobodys_here():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    hear(made, air.beacon("02:00:5e:99:99:99", "next door", is_open=True))
    [fact] = own(made, "wireless-network")

    assert fact.part == "unknown"


# -- commissioning


@pytest.mark.parametrize(
    ("keys", "is_open"),
    [
        ((("CM", "1"),), True),
        ((("cm", "2"), ("D", "3840")), True),
        ((("CM", "0"),), False),
        ((("D", "3840"),), None),
    ],
)
def test_commissioning_window(keys, is_open):
    made = scene()
    made.announce(LIGHT, "light.local", "matterc", 5540,
                  text=tuple(TextKey(key=key, value=value, secret=None) for key, value in keys))  # fmt: skip
    [fact] = own(made, "commissioning")

    assert (fact.kind, fact.window_open, fact.withdrawn) == ("commissionable", is_open, False)


def test_a_window_that_closed_was_open():
    made = scene()
    text = (TextKey(key="CM", value="1", secret=None),)
    made.announce(LIGHT, "light.local", "matterc", 5540, text=text, at=4)
    made.announce(LIGHT, "light.local", "matterc", 5540, text=text, ttl=0, at=90)
    [fact] = own(made, "commissioning")

    assert (fact.window_open, fact.withdrawn) == (True, True)


def test_other_services_are_no_commissioning():
    made = scene()
    made.announce(LIGHT, "light.local", "matter", 5540, text=(TextKey(key="CM", value="1", secret=None),))

    assert own(made, "commissioning") == []


# -- names and greetings


def test_names_by_llmnr_and_netbios():
    made = Scene(home=light_home(more=NAMED), chosen=(LIGHT, HUB))
    made.others()
    made.arp(LIGHT, IP[ROUTER])
    made.arp(HUB, IP[ROUTER])
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=5355), protocol=17)
    answer = LinkNameMessage(
        length=40, identifier=1, is_response=True, is_conflict=False, is_tentative=False, response_code=0,
        questions=(), answers=(address_record("shelf", IP[LIGHT]),), unread_records=0,
    )  # fmt: skip
    made.say(key, "llmnr", answer, back=True)
    key = made.group_flow(end(HUB, port=137), "ff:ff:ff:ff:ff:ff", "192.168.77.255", 137)
    registration = NetbiosNameMessage(
        length=60, kind="registration", identifier=1, is_response=False, is_broadcast=True, response_code=0,
        names=(NetbiosName("HUBBOX", 0, ""),), is_status=False, addresses=(parse_address(IP[HUB]),),
    )  # fmt: skip
    made.say(key, "netbios-ns", registration)
    inventory = made.build()

    assert "shelf" in by_link(inventory, LIGHT).hostnames
    assert "HUBBOX" in by_link(inventory, HUB).hostnames


def test_a_name_that_is_in_conflict_names_nobody():
    made = scene()
    made.arp(LIGHT, IP[ROUTER])
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=5355), protocol=17)
    answer = LinkNameMessage(
        length=40, identifier=1, is_response=True, is_conflict=True, is_tentative=False, response_code=0,
        questions=(), answers=(address_record("shelf", IP[LIGHT]),), unread_records=0,
    )  # fmt: skip
    made.say(key, "llmnr", answer, back=True)

    assert "shelf" not in by_link(made.build(), LIGHT).hostnames


def test_resolvers_of_router_advertisements_are_offered():
    outside = "2001:db8:100::53"
    made = scene()
    made.lease(LIGHT)
    key = made.flow(end(ROUTER, "fe80::1", 134), end("33:33:00:00:00:01", "ff02::1"), protocol=58, ethertype=0x86DD)
    advertised = NeighbourMessage(length=40, kind="router-advertisement", resolvers=(parse_address(outside),))
    made.say(key, "neighbour", advertised)
    made.lookup(LIGHT, "cloud.example", [CLOUD], resolver=outside)
    [fact] = own(made, "name-lookup")

    assert fact.offered is True


@pytest.mark.parametrize(("text", "told"), [("lightd/1.4", True), ("lightd", False), ("v2", False), (None, False)])
def test_a_greeting_with_a_version_is_told(text, told):
    made = scene()
    key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=80))
    made.say(key, "http", replace(http_response(), server=text), back=True)
    facts = [f for f in own(made, "announcement") if f.protocol == "banner"]

    assert [(f.service_name, f.port, f.discloses_version) for f in facts] == ([("http", 80, True)] if told else [])


def test_greetings_of_other_services():
    made = scene()
    for port, protocol, message in (
        (2222, "ssh", SshIdentification(length=30, from_client=False, protocol_version="2.0", software="smallssh_20.1")),
        (21, "ftp", FtpReply(length=30, code=220, text="smallftpd 1.0 ready")),
    ):
        key = made.flow(end(PHONE, port=50_000), end(LIGHT, port=port))
        made.say(key, protocol, message, back=True)
    client = SshIdentification(length=30, from_client=True, protocol_version="2.0", software="other_9.9")
    made.say(made.flow(end(LIGHT, port=50_000), end(HUB, port=22)), "ssh", client)

    assert {(f.service_name, f.port) for f in own(made, "announcement")} == {("ssh", 2222), ("ftp", 21)}
