"""
Addresses and names that a device takes outside DHCPv4, and lookups hidden in QUIC.

Sources: RFC 8415 sections 11.5, 18.2.10.1, 21.4 and 21.6 (octets built with scapy), RFC 4862 section 5.4.2, RFC 4861
sections 4.4 and 7.2.8, IEEE 802.1AB-2016 section 8.5 (octets built with scapy), RFC 1635 section 2, RFC 9250 section
4.1.1, RFC 7858.
"""

import pytest
from scapy.contrib.lldp import (
    LLDPDUChassisID,
    LLDPDUEndOfLLDPDU,
    LLDPDUManagementAddress,
    LLDPDUPortID,
    LLDPDUSystemName,
    LLDPDUTimeToLive,
)
from scapy.layers.dhcp6 import (
    DUID_LL,
    DUID_UUID,
    DHCP6_Advertise,
    DHCP6_Reply,
    DHCP6_Request,
    DHCP6OptClientId,
    DHCP6OptIA_NA,
    DHCP6OptIAAddress,
    DHCP6OptServerId,
    DHCP6OptStatusCode,
)
from scapy.layers.l2 import Ether

from auditor.addresses import UNSPECIFIED, format_address, parse_address, parse_link
from auditor.dissect.protocols import dhcpv6, lldp, tls
from auditor.dissect.protocols.ftp import FtpCommand, FtpReply
from auditor.dissect.protocols.neighbour import NeighbourMessage
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.unit.inventory.scenes import CLOUD, HUB, LIGHT, ROUTER, Scene, by_link, end, facts_of, light_home

GIVEN = "2001:db8:77::20"
ALL_SERVERS = "ff02::1:2"  # RFC 8415 section 7.1
BY_UUID = DUID_UUID(uuid="00000000-0000-4000-8000-000000000021")
BY_LINK = DUID_LL(lladdr=LIGHT)


@pytest.fixture
def made():
    scene = Scene(home=light_home(), chosen=(LIGHT,))
    scene.others()
    return scene


def addresses(scene, link=LIGHT):
    return {format_address(address) for address in by_link(scene.build(), link).addresses}


def exchange(scene, duid, answer, *options):
    """A request of the light and what the router answers, as octets that scapy built."""
    ask = DHCP6_Request(trid=7) / DHCP6OptClientId(duid=duid)
    reply = answer(trid=7) / DHCP6OptClientId(duid=duid) / DHCP6OptServerId(duid=DUID_LL(lladdr=ROUTER))
    reply /= DHCP6OptIA_NA(iaid=1, ianaopts=[DHCP6OptIAAddress(addr=GIVEN), *options])
    key = scene.flow(
        end(LIGHT, "fe80::20", 546), end("33:33:00:01:00:02", ALL_SERVERS, 547), protocol=17, ethertype=0x86DD
    )
    scene.say(key, "dhcpv6", dhcpv6.parse_message(Cursor(bytes(ask))))
    back = scene.flow(end(ROUTER, "fe80::1", 547), end(LIGHT, "fe80::20", 546), protocol=17, ethertype=0x86DD)
    scene.say(back, "dhcpv6", dhcpv6.parse_message(Cursor(bytes(reply))))


@pytest.mark.parametrize("duid", [BY_LINK, BY_UUID], ids=["link-address-inside", "no-link-address-inside"])
def test_an_address_that_a_reply_gave_is_the_clients(made, duid):
    exchange(made, duid, DHCP6_Reply)
    assert GIVEN in addresses(made)


def test_an_offer_gives_nothing_yet(made):
    exchange(made, BY_LINK, DHCP6_Advertise)
    assert GIVEN not in addresses(made)


def test_a_reply_that_refuses_gives_nothing(made):
    exchange(made, BY_LINK, DHCP6_Reply, DHCP6OptStatusCode(statuscode=2))
    assert GIVEN not in addresses(made)


def neighbour(scene, source, address, **fields):
    key = scene.flow(
        end(source, address), end("33:33:ff:00:00:20", "ff02::1:ff00:20"), protocol=58, ethertype=0x86DD
    )
    scene.say(key, "neighbour", NeighbourMessage(length=24, target=parse_address(GIVEN), **fields))


def test_an_address_that_is_about_to_be_taken_is_the_askers(made):
    neighbour(made, LIGHT, format_address(UNSPECIFIED), kind="neighbour-solicitation")
    assert GIVEN in addresses(made)


def test_an_address_that_is_looked_for_is_not_the_askers(made):
    neighbour(made, LIGHT, "fe80::20", kind="neighbour-solicitation")
    assert GIVEN not in addresses(made)


def test_an_address_that_is_told_of_is_the_tellers(made):
    neighbour(made, LIGHT, "fe80::20", kind="neighbour-advertisement", target_link=parse_link(LIGHT))
    assert GIVEN in addresses(made)


def test_who_answers_for_somebody_else_does_not_take_the_address(made):
    neighbour(made, LIGHT, "fe80::20", kind="neighbour-advertisement", target_link=parse_link(HUB))
    assert GIVEN not in addresses(made)


def test_an_address_that_two_claim_is_nobodys_by_that_alone(made):
    """RFC 4389: a proxy advertises for others with its own link address."""
    for link in (LIGHT, HUB):
        neighbour(made, link, "fe80::20", kind="neighbour-advertisement", target_link=parse_link(link))
    inventory = made.build()
    assert all(parse_address(GIVEN) not in device.addresses for device in inventory.devices)


def test_a_box_that_announces_itself_on_the_link_has_its_name(made):
    frame = (
        Ether(src=LIGHT, dst="01:80:c2:00:00:0e", type=0x88CC)
        / LLDPDUChassisID(subtype=4, id=LIGHT)
        / LLDPDUPortID(subtype=3, id=LIGHT)
        / LLDPDUTimeToLive(ttl=120)
        / LLDPDUSystemName(system_name=b"stage-box")
        / LLDPDUManagementAddress(management_address_subtype=1, management_address=bytes([192, 168, 77, 99]))
        / LLDPDUEndOfLLDPDU()
    )
    key = made.flow(end(LIGHT, "0.0.0.0"), end("01:80:c2:00:00:0e", "0.0.0.0"), protocol=0, ethertype=0x88CC)
    made.say(key, "lldp", lldp.parse_message(Cursor(bytes(frame)[14:])))
    device = by_link(made.build(), LIGHT)
    assert "stage-box" in device.hostnames
    assert parse_address("192.168.77.99") in device.addresses


def login(scene, name, *, is_anonymous):
    key = scene.flow(end(LIGHT, port=40000), end(HUB, port=21))
    secret = (
        ()
        if is_anonymous
        else (SightedSecret(kind="user-name", place="ftp", field="USER", secret=Secret(name)),)
    )
    password = SightedSecret(kind="password", place="ftp", field="PASS", secret=Secret(b"guest@home.example"))
    scene.say(
        key, "ftp", FtpCommand(length=1, verb="USER", access=None, is_anonymous=is_anonymous, secrets=secret)
    )
    scene.say(
        key, "ftp", FtpCommand(length=1, verb="PASS", access=None, is_anonymous=False, secrets=(password,))
    )
    scene.say(key, "ftp", FtpReply(length=1, code=230, text=None), back=True)


def passwords(scene):
    inventory = scene.build()
    return [fact for fact in inventory.facts.get("secret", ()) if fact.kind == "password"]


def test_a_guests_mail_address_is_no_password(made):
    login(made, b"anonymous", is_anonymous=True)
    assert passwords(made) == []


def test_after_a_guest_a_name_of_its_own_has_a_password(made):
    login(made, b"anonymous", is_anonymous=True)
    login(made, b"light", is_anonymous=False)
    assert len(passwords(made)) == 1


def hello(*tokens):
    return tls.ClientHello(
        length=100, server_name=None, application_protocols=tokens, versions=(0x0304,), cipher_suites=(),
        has_encrypted_client_hello=False,
    )  # fmt: skip


@pytest.mark.parametrize(("token", "count"), [("dot", 1), ("doq", 1), ("h2", 0)])
def test_the_token_of_a_name_lookup_is_told_on_any_port(made, token, count):
    key = made.flow(end(LIGHT, port=40001), end(ROUTER, CLOUD, 8853))
    made.say(key, "tls", hello(token))
    inventory = made.build()
    found = [
        fact
        for fact in facts_of(inventory, "name-lookup", by_link(inventory, LIGHT).device_id)
        if fact.encryption == "tls"
    ]
    assert len(found) == count
