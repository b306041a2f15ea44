"""
Ways to the outside, recorded live.

Oracles: what the clients were told; miniupnpd with miniupnpc and natpmpc, coturn with its own clients, the standard library's
TLS, OpenSSL's DTLS and aioquic made and read every octet.
"""

import re
import ssl
from pathlib import Path

import pytest

from auditor.addresses import AddressKind
from auditor.dissect.protocols.dtls import DtlsClientHello, DtlsServerHello
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.quic import QuicInitial
from auditor.dissect.protocols.tls import Certificate, ClientHello, ServerHello
from tests.household.home import ROUTER
from tests.household.sessions import write_certificate
from tests.lab.recorded import CLOUD, LIGHT, Recorded, at_home
from tests.scenarios.support import contacts, findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-outside")]

PCP_REQUEST = Path(__file__).parents[1] / "vectors" / "portmapping" / "pcp-map-tcp.hex"
OUTER_ADDRESS = "192.0.1.1"
"""The router's, because miniupnpd maps nothing from an address that RFC 5737 or 1918 sets aside; it stays in the lab."""
TABLE = """
table inet filter {
    chain forward { type filter hook forward priority 0; policy accept; jump miniupnpd; }
    chain miniupnpd { }
    chain prerouting { type nat hook prerouting priority -100; policy accept; jump prerouting_miniupnpd; }
    chain postrouting { type nat hook postrouting priority 100; policy accept; jump postrouting_miniupnpd; }
    chain prerouting_miniupnpd { }
    chain postrouting_miniupnpd { }
}
"""


def open_router(house, folder):
    """A router that maps ports for whoever asks, from 1024 on."""
    house.ip("-n", house.room("router"), "addr", "add", f"{OUTER_ADDRESS}/32", "dev", "wan")
    table, configuration = folder / "table.nft", folder / "mappings.conf"
    table.write_text(TABLE)
    assert house.act("router", "nft", "-f", table).status == 0
    configuration.write_text(
        f"ext_ifname=wan\next_ip={OUTER_ADDRESS}\nlistening_ip=br0\nenable_natpmp=yes\nenable_upnp=yes\nsecure_mode=yes\n"
        "min_lifetime=60\nmax_lifetime=86400\nhttp_port=5000\nnotify_interval=3600\n"
        "upnp_table_name=filter\nupnp_nat_table_name=filter\nuuid=00000000-0000-0000-0000-000000000001\n"
        "upnp_forward_chain=miniupnpd\nupnp_nat_chain=prerouting_miniupnpd\nupnp_nat_postrouting_chain=postrouting_miniupnpd\n"
        "deny 0-1023 0.0.0.0/0 0-65535\nallow 1024-65535 192.168.77.0/24 0-65535\ndeny 0-65535 0.0.0.0/0 0-65535\n"
    )
    house.start(
        "router", "miniupnpd", "-d", "-f", configuration, "-P", folder / "mappings.pid", ready="Listening for NAT-PMP",
    )  # fmt: skip


@pytest.fixture(scope="module")
def outside(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-outside")
    with at_home(
        folder, "miniupnpd", "natpmpc", "nft", "turnserver", "turnutils_stunclient", "openssl"
    ) as house:
        house.outside(CLOUD.ipv4)
        open_router(house, folder)
        certificate = write_certificate(folder / "cloud.pem", CLOUD.name)
        for role in ("tls_server", "quic_server"):
            house.start_role("outside", f"outside.{role}", CLOUD.ipv4, certificate)
        house.start(
            "outside", "turnserver", "-n", "--log-file=stdout", "--simple-log", "-L", CLOUD.ipv4, "-E", CLOUD.ipv4, "--no-tls",
            "--no-dtls", "--no-cli", "--lt-cred-mech", "--user=light:lantern", f"--realm={CLOUD.name}", f"--pidfile={folder / 'turn.pid'}",
            f"--userdb={folder / 'turn.db'}",  ready="DB connection success",
        )  # fmt: skip
        house.start(
            "outside", "openssl", "s_server", "-dtls1_2", "-accept", f"{CLOUD.ipv4}:4433", "-cert", certificate, "-key", certificate,
            ready="ACCEPT",
        )  # fmt: skip
        recorded = Recorded(folder / "outside.pcap", folder)
        house.record(recorded.capture)
        deeds = recorded.deeds
        deeds["igd"] = house.role("light", "outside.igd", LIGHT.ipv4)
        for name, arguments in (
            ("nat-pmp", ("-a", "8081", "8081", "tcp", "60")), ("nat-pmp below 1024", ("-a", "1020", "1020", "tcp", "60"))
        ):  # fmt: skip
            deeds[name] = house.act("light", "natpmpc", "-g", "192.168.77.1", *arguments)
        request = PCP_REQUEST.read_text().splitlines()[-1]
        deeds["pcp"] = house.role("light", "outside.pcp", "192.168.77.1", request)
        deeds["tls"] = house.role("light", "outside.tls", CLOUD.ipv4, CLOUD.name)
        deeds["quic"] = house.role("light", "outside.quic", CLOUD.ipv4, CLOUD.name)
        deeds["dtls"] = house.act(
            "light", "sh", "-c",
            f"echo hello | timeout 10 openssl s_client -dtls1_2 -connect {CLOUD.ipv4}:4433 -servername {CLOUD.name}",
        )  # fmt: skip
        deeds["stun"] = house.act("light", "turnutils_stunclient", CLOUD.ipv4)
        deeds["turn"] = house.act(
            "light",
            "turnutils_uclient",
            "-y",
            "-c",
            "-n",
            "2",
            "-m",
            "1",
            "-u",
            "light",
            "-w",
            "lantern",
            CLOUD.ipv4,
        )
        return recorded.done()


def test_nothing_was_unreadable(outside):
    assert [(issue.where, issue.problem) for issue in outside.issues] == []


def mapping(outside, rule_id, what):
    """The one finding about a mapping whose summary holds these words."""
    [found] = [one for one in findings(outside.document, rule_id, host=LIGHT) if what in one["summary"]]
    return found


def test_what_was_asked_of_the_router_by_upnp_is_told_as_it_ended(outside):
    said = outside.said("igd")
    asked = [
        (one.message.soap.action, one.message.soap.mapping.external_port)
        for one in outside.messages("http", deed="igd", source=LIGHT, kind=HttpRequest)
        if one.message.soap and one.message.soap.action.endswith("PortMapping")
    ]
    faults = [
        one.message.soap.error_code
        for one in outside.messages("http", deed="igd", source=ROUTER, kind=HttpResponse)
        if one.message.soap and one.message.soap.error_code
    ]

    assert (said["granted"], said["deleted"], said["below 1024"]) == (True, True, "Action not authorized")
    assert asked == [("AddPortMapping", 8080), ("DeletePortMapping", 8080), ("AddPortMapping", 80)]
    assert faults == [606]  # not authorized (UPnP Device Architecture 2.0 table 3-3)
    granted = mapping(outside, "port-mapping-granted", "igd for tcp port 8080 towards port 8000")
    assert re.search(r"lifetime:? 3600 s", granted["summary"])
    assert "taken back at the end: yes" in granted["summary"]
    assert outside.is_within(granted["evidence"][0], "igd")
    assert outside.is_within(
        mapping(outside, "port-mapping-refused", "igd for tcp port 80 ")["evidence"][0], "igd"
    )


def test_the_search_for_the_router_is_told(outside):
    told = outside.messages("ssdp", deed="igd")
    targets = {one.message.target for one in told if one.message.kind == "search"}
    descriptions = outside.messages("http", deed="igd", source=LIGHT, kind=HttpRequest)

    assert "urn:schemas-upnp-org:device:InternetGatewayDevice:1" in targets
    [location] = {one.message.location for one in told if one.message.kind == "response"}
    assert location.endswith(descriptions[0].message.path)


def test_mappings_by_nat_pmp_are_told_with_the_port_that_was_granted(outside):
    answers = {
        one.message.internal_port: (
            one.message.result_code,
            one.message.external_port,
            one.message.lifetime_seconds,
        )
        for one in outside.messages("nat-pmp", source=ROUTER)
        if one.message.kind == "mapping"
    }

    assert "Mapped public port 8081 protocol TCP to local port 8081 liftime 60" in outside.said("nat-pmp")
    assert "Mapped public port 1024 protocol TCP to local port 1020 liftime 60" in outside.said(
        "nat-pmp below 1024"
    )
    assert answers == {8081: (0, 8081, 60), 1020: (0, 1024, 60)}
    for deed, what in (
        ("nat-pmp", "port 8081 towards port 8081"),
        ("nat-pmp below 1024", "port 1024 towards port 1020,"),
    ):
        found = mapping(outside, "port-mapping-granted", f"nat-pmp for tcp {what}")
        assert outside.is_within(found["evidence"][0], deed)


def test_a_mapping_by_pcp_is_told(outside):
    said = outside.said("pcp")
    [answer] = [one.message for one in outside.messages("pcp", deed="pcp", source=ROUTER)]
    found = mapping(outside, "port-mapping-granted", f"pcp for tcp port {said['external']} ")

    assert (answer.result_code, answer.lifetime_seconds, answer.external_port) == (
        said["result"], said["lifetime"], said["external"],
    )  # fmt: skip
    assert re.search(rf"lifetime:? {said['lifetime']} s", found["summary"])


def test_sessions_are_told_as_they_were_negotiated(outside):
    numbers = {cipher["name"]: cipher["id"] & 0xFFFF for cipher in ssl.create_default_context().get_ciphers()}
    hellos = outside.messages("tls", deed="tls", source=LIGHT, kind=ClientHello)
    answers = {one.source.port: one.message for one in outside.messages("tls", deed="tls", kind=ServerHello)}

    assert {one.message.server_name for one in hellos} == {CLOUD.name}
    for port, version in ((443, "TLSv1.3"), (8883, "TLSv1.2")):
        negotiated, suite, protocol = outside.said("tls")[str(port)]
        assert negotiated == version
        assert answers[port].version == {"TLSv1.3": 0x0304, "TLSv1.2": 0x0303}[version]
        assert answers[port].cipher_suite == numbers[suite]
        assert protocol == "mqtt"
    assert answers[8883].application_protocol == "mqtt"
    assert answers[443].application_protocol is None  # enciphered since 1.3 (RFC 8446 section 4.3.1)
    assert [one.message.names for one in outside.messages("tls", kind=Certificate)] == [(CLOUD.name,)]


def test_connections_of_both_versions_of_quic_are_opened(outside):
    hellos = [one.message for one in outside.messages("quic", deed="quic", source=LIGHT, kind=QuicInitial)]

    assert [one.version for one in hellos if one.server_name] == [
        number for [number] in outside.said("quic").values()
    ]
    assert {one.server_name for one in hellos if one.server_name} == {CLOUD.name}
    assert ("light/1",) in {one.application_protocols for one in hellos}


def test_a_session_over_datagrams_is_told(outside):
    [negotiated] = re.findall(r"Cipher is (\S+)", outside.said("dtls"))
    numbers = {cipher["name"]: cipher["id"] & 0xFFFF for cipher in ssl.create_default_context().get_ciphers()}
    hellos = [one.message for one in outside.messages("dtls", source=LIGHT, kind=DtlsClientHello)]
    [answer] = [one.message for one in outside.messages("dtls", source=CLOUD, kind=DtlsServerHello)]

    assert [one.has_cookie for one in hellos] == [False, True]  # RFC 6347 section 4.2.1
    assert {one.server_name for one in hellos} == {CLOUD.name}
    assert answer.cipher_suite == numbers[negotiated]
    assert answer.version == 0xFEFD


def test_the_remote_contacts_are_told_with_name_and_confidentiality(outside):
    told = {
        (row["transport"], row["port"]): (
            row["application_protocol"],
            row["confidentiality"],
            row["name_source"],
        )
        for row in contacts(outside.document, LIGHT)
        if row["address"] == CLOUD.ipv4
    }

    assert told == {
        ("tcp", 443): ("tls", "tls", "tls-sni"), ("tcp", 8883): ("tls", "tls", "tls-sni"),
        ("udp", 443): ("quic", "quic", "quic-sni"), ("udp", 4433): ("dtls", "dtls", "tls-sni"),
        ("udp", 3478): ("stun", "clear", "none"),
    }  # fmt: skip


def test_the_address_as_seen_from_outside_is_told_by_kind_alone(outside):
    [answer] = [
        one.message
        for one in outside.messages("stun", deed="stun", source=CLOUD)
        if one.message.message_class == "success"
    ][:1]

    assert f"UDP reflexive addr: {LIGHT.ipv4}" in outside.said("stun")  # no translation between them here
    assert (answer.method, answer.mapped_family, answer.mapped_kind) == (
        "binding",
        "ipv4",
        AddressKind.PRIVATE,
    )


def test_a_relay_is_granted_after_a_login(outside):
    allocations = [
        (one.message.message_class, one.message.error_code, one.message.has_credentials)
        for one in outside.messages("stun", deed="turn")
        if one.message.method == "allocate"
    ]

    assert outside.deeds["turn"].status == 0
    assert ("request", None, False) in allocations
    assert ("error", 401, False) in allocations  # RFC 8489 section 9.2.4
    assert ("success", None, True) in allocations
    assert "lantern" not in str(outside.document) + repr(outside.messages("stun"))
