"""
How devices get addresses, recorded live on the bridge, on one port and on the "any" device.

Oracles: what the clients were given; dnsmasq, dhclient, udhcpc, rdisc6 and the kernel made every octet, tcpdump wrote both kinds
of cooked frames.
"""

import re

import pytest

from auditor.addresses import format_address
from tests.lab.recorded import LIGHT, Recorded, at_home
from tests.scenarios.support import device

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-addresses")]

PREFIX = "2001:db8:77::"
LINK = bytes.fromhex(LIGHT.link.replace(":", ""))


@pytest.fixture(scope="module")
def addresses(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-addresses")
    with at_home(folder, "dnsmasq", "udhcpc", "dhclient", "rdisc6") as house:
        recorded = Recorded(folder / "addresses.pcap", folder)
        house.record(recorded.capture)
        recorded.cooked = {
            kind: Recorded(folder / f"{kind}.pcap", folder) for kind in ("LINUX_SLL", "LINUX_SLL2")
        }
        for kind, cooked in recorded.cooked.items():
            house.record(cooked.capture, interface="any", link_type=kind)
        router = house.room("router")
        house.ip("-n", router, "addr", "add", f"{PREFIX}1/64", "dev", "br0", "nodad")
        house.inside("router", "sh", "-c", "echo 1 > /proc/sys/net/ipv6/conf/all/forwarding")
        house.start(
            "router", "dnsmasq", "-d", "--conf-file=/dev/null", "--no-resolv", "--no-hosts", "--port=0", "--interface=br0",
            "--bind-interfaces", "--enable-ra", f"--dhcp-range={PREFIX}100,{PREFIX}1ff,slaac,64,1h",
            "--dhcp-range=192.168.77.100,192.168.77.150,1h", f"--dhcp-option=option6:dns-server,[{PREFIX}1]",
            f"--dhcp-leasefile={folder / 'leases'}", f"--pid-file={folder / 'dnsmasq.pid'}", "--user=root", ready="router advertisement on",
        )  # fmt: skip
        deeds = recorded.deeds
        # Nobody may send from an address that is still being probed (RFC 4862 section 5.4).
        for name in ("router", "light"):
            own = (
                "ip",
                "-6",
                "-o",
                "addr",
                "show",
                "dev",
                "br0" if name == "router" else "eth0",
                "scope",
                "link",
                "-tentative",
            )
            house.wait_until(name, *own, holds="fe80")
        deeds["router"] = house.act("light", "rdisc6", "-1", "-w", "3000", "eth0")
        deeds["lease"] = house.act(
            "light", "udhcpc", "-f", "-q", "-n", "-i", "eth0", "-t", "3", "-T", "3", "-x", f"hostname:{LIGHT.name}", "-s", "/bin/true",
        )  # fmt: skip
        configuration = folder / "client.conf"
        configuration.write_text(f'send fqdn.fqdn "{LIGHT.name}"; send fqdn.server-update on;')
        deeds["lease6"] = house.act(
            "light", "dhclient", "-6", "-1", "-v", "-pf", folder / "client.pid", "-lf", folder / "client.leases", "-cf", configuration,
            "-sf", "/bin/true", "eth0",
        )  # fmt: skip
        house.start_role("light", "addresses.echo", LIGHT.ipv4)
        deeds["call"] = house.role("phone", "addresses.call", LIGHT.ipv4)
        for cooked in recorded.cooked.values():
            cooked.done()
        return recorded.done()


def test_nothing_was_unreadable(addresses):
    for one in (addresses, *addresses.cooked.values()):
        assert [(issue.where, issue.problem) for issue in one.issues] == []


def test_the_lease_is_told(addresses):
    [given] = re.findall(
        r"lease of (\S+) obtained from 192.168.77.1, lease time 3600", addresses.said("lease")
    )
    told = addresses.messages("bootps", deed="lease")
    [acknowledged] = [
        one.message for one in told if one.message.message_type == 5
    ]  # DHCPACK (RFC 2132 section 9.6)

    assert format_address(acknowledged.your_address) == given
    assert acknowledged.lease_seconds == 3600
    assert {one.message.host_name for one in told if not one.message.is_reply} == {LIGHT.name}
    assert given in device(addresses.document, LIGHT)["addresses"]
    assert LIGHT.name in device(addresses.document, LIGHT)["hostnames"]
    assert "joining-seen" in device(addresses.document, LIGHT)["abilities"]


def test_what_the_router_offers_is_told(addresses):
    [offer] = {
        (
            one.message.router_lifetime_seconds,
            one.message.is_managed,
            one.message.prefixes,
            one.message.resolvers,
        )
        for one in addresses.messages("neighbour", deed="router")
        if one.message.kind == "router-advertisement"
    }
    lifetime, is_managed, [prefix], [resolver] = offer

    assert re.search(rf"Prefix\s+: {PREFIX}/64", addresses.said("router"))
    assert (format_address(prefix.prefix), prefix.length, prefix.is_autonomous) == (PREFIX, 64, True)
    assert f"{prefix.valid_seconds} (0x" in addresses.said("router")
    assert f"{lifetime} (0x" in addresses.said("router")
    assert is_managed
    assert format_address(resolver) == f"{PREFIX}1"


def test_the_lease_of_the_other_family_is_told(addresses):
    [given] = set(re.findall(r"IAADDR (\S+)", addresses.said("lease6")))
    told = [one.message for one in addresses.messages("dhcpv6", deed="lease6")]

    assert [one.kind for one in told] == ["solicit", "advertise", "request", "reply"]  # RFC 8415 section 5.1
    assert [format_address(one) for one in told[-1].addresses] == [given]
    assert {one.client_link for one in told} == {LINK}
    assert {one.host_name for one in told if not one.is_from_server} == {LIGHT.name}
    assert [format_address(one) for one in told[-1].resolvers] == [f"{PREFIX}1"]


def test_an_address_is_probed_before_it_is_used(addresses):
    own = f"{PREFIX.removesuffix(':')}200:5eff:fe00:5321"  # of the link address (RFC 4291 appendix A)
    probed = {
        format_address(one.message.target)
        for one in addresses.messages("neighbour")
        if one.message.kind == "neighbour-solicitation"
        and one.source.link_address == LINK
        and one.message.source_link is None
    }

    assert own.replace("77:200", "77:0:200") in probed or own in probed


@pytest.mark.parametrize("kind", ["LINUX_SLL", "LINUX_SLL2"])
def test_the_any_device_shows_the_same_conversations(addresses, kind):
    cooked = addresses.cooked[kind]
    [capture] = cooked.document["captures"]

    def exchanges(one):
        return [
            [envelope.message for envelope in one.messages(protocol)] for protocol in ("bootps", "dhcpv6")
        ]

    assert capture["link_types"] == [kind]
    assert exchanges(cooked) == exchanges(addresses)  # what passes two interfaces is told once


def test_the_groups_of_the_other_family_are_told(addresses):
    """Each address has a group of its own for solicitations (RFC 4291 section 2.7.1), which the kernel joins."""
    joined = {
        format_address(group)
        for one in addresses.messages("mld")
        if one.message.kind == "report" and one.source.link_address == LINK
        for group in one.message.groups
    }

    assert "ff02::1:ff00:5321" in joined
