"""
What must and must not be concluded, on facts: one test or more a scenario of the needs document.

Each test names the scenario and the standard behind it.
"""

import pytest

from auditor.addresses import parse_link
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.errors import JudgementError
from auditor.flows.flow import Period
from auditor.inventory.choose import check_chosen
from auditor.secret import Secret
from tests.unit.inventory.scenes import (
    CLOUD,
    HUB,
    IP,
    LAPTOP,
    LIGHT,
    MDNS,
    MDNS_LINK,
    PHONE,
    ROUTER,
    START,
    TWIN,
    EncryptedData,
    HomeDevice,
    Keep,
    Scene,
    TextKey,
    by_link,
    connack,
    connect,
    dns,
    e131,
    end,
    facts_of,
    light_home,
    ntp,
    record,
)

OUT = end(ROUTER, CLOUD, 443)


def chosen_scene(**more):
    scene = Scene(chosen=(LIGHT,), **more)
    scene.others()
    return scene


def test_s01_a_laptops_own_view_is_no_view_of_the_light():
    """A bridge delivers unicast to one port only (IEEE 802.1Q); the light is heard by groups alone."""
    scene = Scene()
    scene.flow(end(LAPTOP, port=50_001), end(ROUTER, CLOUD, 443))
    scene.flow(end(LAPTOP, port=50_002), end(HUB, port=80))
    scene.announce(LIGHT, "shelf-light.local")
    scene.arp(LIGHT, IP[ROUTER])
    inventory = scene.build()

    assert inventory.coverage.vantage == "own-host"
    assert "recorder" in by_link(inventory, LAPTOP).roles
    light = by_link(inventory, LIGHT)
    assert light.is_chosen
    assert "unicast-with-device" not in light.abilities
    assert inventory.coverage.missing["unicast-with-device"].record_next
    assert "shelf-light.local" in light.hostnames
    assert [s.announced_as for s in facts_of(inventory, "service", light.device_id)] == ["http"]
    assert facts_of(inventory, "service", light.device_id)[0].used is None
    with pytest.raises(JudgementError, match="record where"):
        check_chosen(inventory)


def test_s01_also_when_the_laptop_itself_controls_the_light():
    scene = Scene(chosen=(LIGHT,))
    scene.flow(end(LAPTOP, port=50_001), end(ROUTER, CLOUD, 443))
    scene.http(end(LAPTOP, port=50_002), end(LIGHT, port=80))
    scene.arp(PHONE, IP[ROUTER])
    inventory = scene.build()
    assert inventory.coverage.vantage == "own-host"
    assert "unicast-with-device" not in by_link(inventory, LIGHT).abilities


def test_groups_alone_are_multicast_only_and_announcements_alone_are_said_to_be():
    scene = Scene()
    scene.announce(LIGHT, "shelf-light.local")
    assert scene.build().coverage.vantage == "announcements-only"
    scene = Scene()
    scene.announce(LIGHT, "shelf-light.local")
    scene.arp(LIGHT, IP[ROUTER])
    assert scene.build().coverage.vantage == "multicast-only"


def test_quiet_device_on_the_path_keeps_the_ability():
    scene = chosen_scene()
    scene.arp(LIGHT, IP[ROUTER])
    inventory = scene.build()
    assert inventory.coverage.vantage == "on-path"
    assert {"unicast-with-device", "both-directions"} <= set(by_link(inventory, LIGHT).abilities)
    check_chosen(inventory)


def test_s03_mid_stream_flow_has_no_name_and_no_proven_initiator():
    """The connection began before the recording; a later answer for the address is not its name (RFC 1035)."""
    scene = chosen_scene()
    key = scene.flow(end(LIGHT, port=40_000), OUT, at=0, lasts=590, known="likely", outcome="mid-stream")
    scene.say(key, "tls", EncryptedData(length=100, record_version=0x0303))
    scene.lookup(LIGHT, "late.example", [CLOUD], at=300)
    [contact] = [c for c in facts_of(scene.build(), "remote-contact") if c.port == 443 and c.address == CLOUD]
    assert (contact.name, contact.name_source) == (None, "none")
    assert contact.confidentiality == "tls"
    assert contact.standing is True
    assert contact.initiator == "device"


def test_s03_who_speaks_as_client_corrects_a_guessed_initiator():
    scene = chosen_scene()
    scene.flow(end(LIGHT, port=80), end(PHONE, port=50_000), known="likely", outcome="mid-stream")
    from auditor.flows.flow import FlowKey
    from tests.unit.inventory.scenes import http_request

    key = FlowKey(end(PHONE, port=50_000), end(LIGHT, port=80), 0x0800, 6, 0)
    scene.say(key, "http", http_request())
    inventory = scene.build()
    [contact] = [c for c in facts_of(inventory, "local-contact") if c.port == 80]
    assert contact.device_id == by_link(inventory, PHONE).device_id
    assert contact.initiator_known == "likely"


def test_s04_five_devices_behind_one_repeater():
    """Distinct DHCP identities behind one link address (RFC 2131 section 2, client identifier)."""
    scene = Scene()
    scene.others()
    repeater = "02:00:5e:10:00:aa"
    for number in range(1, 6):
        address, link = f"192.168.77.{100 + number}", f"02:00:5e:10:01:0{number}"
        scene.lease(link, address, via=repeater, name=f"light-{number}", identifier=bytes([1, number]))
        scene.flow(end(repeater, address, 40_000), OUT, at=10 + number)
    inventory = scene.build()
    behind = [device for device in inventory.devices if device.behind_repeater]
    assert len(behind) == 5
    assert len({device.device_id for device in behind}) == 5
    assert all(device.identity.startswith("name:") for device in behind)
    assert sorted(len(device.addresses) for device in behind) == [1] * 5


def test_a_host_with_two_addresses_and_one_name_stays_one_device():
    scene = Scene(chosen=(LIGHT,))
    scene.others()
    scene.lease(LIGHT, identifier=b"\x01x")
    scene.lease(LIGHT, "192.168.77.21", identifier=b"\x01x", at=100)
    scene.flow(end(LIGHT, port=40_000), OUT)
    scene.flow(end(LIGHT, "192.168.77.21", 40_000), OUT, at=101)
    light = by_link(scene.build(), LIGHT)
    assert not light.behind_repeater
    assert len(light.addresses) == 2


def test_s05_copies_are_said_once():
    from auditor.capture.record import IssueKind

    scene = chosen_scene()
    scene.flow(end(LIGHT, port=40_000), OUT, duplicates=7)
    [summary] = scene.build().captures
    assert [(i.kind, i.count) for i in summary.issues] == [(IssueKind.DUPLICATES, 7)]


def test_s06_clipped_payload_takes_abilities_away():
    """Snap length (draft-ietf-opsawg-pcapng section 4.2) cuts names and heads off."""
    scene = chosen_scene(snap_length=96, clipped=4000)
    scene.flow(end(LIGHT, port=40_000), OUT)
    missing = scene.build().coverage.missing
    assert {"payload-visible", "names-visible"} <= set(missing)
    assert "96 octets" in missing["payload-visible"].reason


def test_s08_outside_the_nat_no_device_is_judged():
    """Shared address space lies between provider and home (RFC 6598)."""
    scene = Scene()
    inside = end(ROUTER, "100.64.3.7", 40_000)
    for number in range(3):
        scene.flow(inside, end(HUB, f"198.51.100.{number + 1}", 443), hop_limit=63)
    inventory = scene.build()
    assert inventory.coverage.vantage == "outside-nat"
    assert not any(inventory.facts[word] for word in ("remote-contact", "service", "control"))
    with pytest.raises(JudgementError, match="one address of the outside"):
        check_chosen(inventory)


def test_s09_own_access_point_leaves_the_home_side_untested():
    scene = Scene(chosen=(LIGHT,))
    scene.lease(LIGHT)
    scene.lookup(LIGHT, "cloud.example", [CLOUD])
    scene.tls(end(LIGHT, port=40_000), OUT)
    inventory = scene.build()
    assert inventory.coverage.vantage == "own-access-point"
    assert "unicast-with-device" in by_link(inventory, LIGHT).abilities
    assert any("phones and hubs" in q.reason for q in inventory.coverage.could_not_see)
    check_chosen(inventory)


def test_s10_filter_limits_names_and_is_in_the_scope():
    from auditor.capture.record import CaptureIssue, IssueKind

    issue = CaptureIssue(kind=IssueKind.FILTERED, count=1, detail="port 443")
    scene = chosen_scene(capture_filter="port 443", issues=(issue,))
    scene.flow(end(LIGHT, port=40_000), OUT)
    coverage = scene.build().coverage
    assert "names-visible" in coverage.missing
    assert "filter" in coverage.scope
    assert any("port 443" in q.reason for q in coverage.could_not_see)


def test_s11_phone_with_private_address_is_no_light():
    """The U/L bit says that no maker assigned the address (IEEE 802-2014 section 8.2.2)."""
    scene = Scene()
    scene.others()
    scene.lease(PHONE, name="my-phone")
    for number in range(12):
        scene.tls(
            end(PHONE, port=41_000 + number),
            end(ROUTER, f"203.0.113.{number + 1}", 443),
            f"site{number}.example",
        )
    inventory = scene.build()
    phone = by_link(inventory, PHONE)
    assert "phone" in phone.roles
    assert phone.locally_administered
    assert phone.lighting.rank == 0
    assert not phone.is_chosen
    assert phone.vendor is None


def test_s12_twins_stay_apart_and_a_neighbouring_address_is_only_perhaps():
    scene = Scene(chosen=(LIGHT,))
    sibling = "02:00:5e:10:00:21"
    for link, address in ((LIGHT, IP[LIGHT]), (TWIN, IP[TWIN]), (sibling, "192.168.77.21")):
        scene.lease(link, address, name="light")
        scene.flow(end(link, address, 40_000), end(HUB, port=80))
    inventory = scene.build()
    ids = {by_link(inventory, link).device_id for link in (LIGHT,)}
    assert len(ids) == 1
    light = by_link(inventory, LIGHT)
    assert light.addresses == (end(LIGHT).address,)
    assert light.may_belong_to is not None
    assert light.may_belong_to != light.device_id


def test_s13_the_one_that_joined_when_power_came_ranks_first():
    """DHCP DISCOVER and ARP probe at start (RFC 2131 4.4.1, RFC 5227 2.1.1), against chatter of another candidate."""
    from auditor.home.model import Action, Home

    scene = Scene(home=Home(actions=(Action(at_ns=START + 100 * 10**9, what="power-on"),)))
    scene.others()
    scene.lease(LIGHT, name="controller", at=103)
    for number in range(40):
        scene.flow(end(HUB, port=30_000 + number), OUT, at=number)
    scene.announce(TWIN, "other.local", "hap", 80, at=2)
    inventory = scene.build()
    first = inventory.devices[0]
    assert first == by_link(inventory, LIGHT)
    assert first.lighting.rank == 1
    assert any("power-on (packet " in reason for reason in first.lighting.reasons)
    assert first.joined is not None


def test_s14_resolver_that_the_lease_did_not_offer():
    """Option 6 of the lease (RFC 2132 3.8) against the resolver that was asked."""
    scene = chosen_scene()
    scene.lease(LIGHT, resolver="192.0.2.53")
    scene.lookup(LIGHT, "cloud.example", [CLOUD], resolver="198.51.100.53")
    [lookup] = facts_of(scene.build(), "name-lookup")
    assert lookup.resolver_is_outside
    assert lookup.offered is False
    assert lookup.encryption == "none"


def test_s14_without_a_lease_nothing_is_said_of_the_offer():
    scene = chosen_scene()
    scene.lookup(LIGHT, "cloud.example", [CLOUD], resolver="198.51.100.53")
    [lookup] = facts_of(scene.build(), "name-lookup")
    assert lookup.offered is None


def test_s15_tls_on_853_is_encrypted_lookup_and_silence_on_443_is_not():
    """DNS over TLS has port 853 (RFC 7858 3.1)."""
    scene = chosen_scene()
    scene.tls(end(LIGHT, port=40_000), end(ROUTER, "198.51.100.53", 853), "resolver.example")
    scene.flow(end(LIGHT, port=40_001), OUT)
    inventory = scene.build()
    [lookup] = facts_of(inventory, "name-lookup")
    assert lookup.encryption == "tls"
    assert [c.name for c in facts_of(inventory, "remote-contact") if c.address == CLOUD] == [None]


def test_s16_name_beside_the_extension_is_outer():
    scene = chosen_scene()
    scene.tls(end(LIGHT, port=40_000), OUT, "provider.example", ech=True)
    [contact] = facts_of(scene.build(), "remote-contact")
    assert (contact.name, contact.name_source, contact.name_is_outer) == ("provider.example", "tls-sni", True)


def test_s17_time_is_time():
    """RFC 5905; an answer that the phone asked for does not name the light's contact."""
    scene = chosen_scene()
    key = scene.flow(end(LIGHT, port=123), end(ROUTER, "203.0.113.123", 123), protocol=17)
    scene.say(key, "ntp", ntp())
    scene.lookup(PHONE, "phone.example", ["203.0.113.123"], at=0.1)
    [contact] = [
        c for c in facts_of(scene.build(), "remote-contact") if c.transport == "udp" and c.port == 123
    ]
    assert contact.purpose == "time"
    assert contact.name is None


@pytest.mark.parametrize(
    ("login", "code", "authentication", "answered"),
    [
        (True, 0, "accepted", True),
        (True, 5, "rejected", False),
        (False, 0, "none", True),
        (False, 5, "rejected", False),
        (True, None, "presented", None),
        (False, None, "none", None),
    ],
)
def test_s18_mqtt_login_is_judged_by_the_answer(login, code, authentication, answered):
    """CONNACK return codes, MQTT 3.1.1 table 3.1; without CONNACK nothing is claimed."""
    scene = chosen_scene()
    key = scene.flow(end(LIGHT, port=40_000), end(HUB, port=8883))
    scene.say(key, "mqtt", connect() if login else connect(None, None))
    if code is not None:
        scene.say(key, "mqtt", connack(code), back=True)
    inventory = scene.build()
    [control] = facts_of(inventory, "control")
    assert (control.operation, control.authentication, control.answered) == (
        "connect",
        authentication,
        answered,
    )
    assert control.from_id == by_link(inventory, LIGHT).device_id
    secrets = facts_of(inventory, "secret", by_link(inventory, LIGHT).device_id)
    assert {s.kind for s in secrets} == ({"user-name", "password"} if login else set())
    assert all((s.reach, s.accepted) == ("inside", answered) for s in secrets)
    assert "hunter" not in repr(inventory)


def test_s22_poll_each_second_is_one_contact_of_the_light():
    period = Period(median_seconds=1.0, jitter_seconds=0.002, count=600)
    token = SightedSecret(kind="token", place="http-url", field="token", secret=Secret(b"t0ken"))
    keep = Keep(wish="light-follows-hub", from_device="shelf light", to_device=None)
    home = light_home(
        keep=(keep,), more=(HomeDevice(link_address=parse_link(HUB), role="hub", nickname="hub"),)
    )
    scene = Scene(home=home)
    scene.others()
    key = scene.flow(end(LIGHT), end(HUB, port=80), connections=600, period=period)
    from tests.unit.inventory.scenes import http_request, http_response

    for number in range(600):
        scene.say(key, "http", http_request("GET", "/api/*/state", secrets=(token,)), at=number)
        scene.say(key, "http", http_response(200), at=number + 0.01, back=True)
    inventory = scene.build()
    light = by_link(inventory, LIGHT)
    [contact] = [c for c in facts_of(inventory, "local-contact", light.device_id) if c.port == 80]
    assert contact.period == period
    assert contact.flows == 600
    assert contact.initiator_known == "proven"
    assert contact.wished is True
    assert "hub" in contact.peer_role
    [control] = facts_of(inventory, "control")
    assert (control.count, control.effect, control.authentication) == (600, "read", "accepted")
    [secret] = facts_of(inventory, "secret", light.device_id)
    assert (secret.kind, secret.count, secret.direction) == ("token", 600, "from-device")


@pytest.mark.parametrize(
    ("method", "path", "body", "more", "status", "expected"),
    [
        pytest.param("GET", "/state", (), {}, 200, ("read", "none", True), id="a"),
        pytest.param("POST", "/state", ("on", "bri"), {}, 200, ("light", "none", True), id="b"),
        pytest.param("POST", "/settings", ("ssid", "psk"), {}, 200, ("configuration", "none", True), id="c"),
        pytest.param("POST", "/settings", ("ssid",), {"cookie": True}, 200, ("configuration", "accepted", True), id="d"),
        pytest.param("POST", "/state", ("on",), {}, 401, ("light", "rejected", False), id="e"),
        pytest.param("POST", "/state", ("on",), {}, 0, ("light", "none", None), id="no-answer"),
        pytest.param("POST", "/state", ("on",), {"scheme": "basic"}, 0, ("light", "presented", None), id="login"),
        pytest.param(
            "POST", "/update", (), {"content_type": "multipart/form-data"}, 200, ("firmware", "none", True), id="firmware"
        ),
        pytest.param("POST", "/settings/update", ("auto",), {}, 200, ("configuration", "none", True), id="update-settings"),
        pytest.param("GET", "/control", (), {"query": ("brightness",)}, 200, ("light", "none", True), id="get-that-writes"),
    ],
)  # fmt: skip
def test_s24_control_is_judged_by_effect_login_and_answer(method, path, body, more, status, expected):
    """RFC 9110 sections 9.2.1, 11 and 15.5.2."""
    scene = chosen_scene()
    scene.http(
        end(PHONE, port=50_000),
        end(LIGHT, port=80),
        method,
        path,
        status=status,
        request={"body": body, **more},
    )
    inventory = scene.build()
    [control] = facts_of(inventory, "control")
    assert (control.effect, control.authentication, control.answered) == expected
    assert control.device_id == by_link(inventory, LIGHT).device_id
    assert control.from_segment == "same-segment"
    assert ("local-control" in inventory.coverage.phases) == (expected[0] != "read")


def test_s24_answer_that_any_page_may_read():
    """Access-Control-Allow-Origin ``*`` (WHATWG Fetch 3.3.3)."""
    scene = chosen_scene()
    target = end(LIGHT, port=80)
    scene.http(
        end(PHONE, port=50_000), target, "GET", "/config", answer={"origin": "*", "body": ("wifi.ssid",)}
    )
    [control] = facts_of(scene.build(), "control")
    assert control.open_to_web_pages is True
    assert control.reads_configuration is True


def test_s25_announcement_is_no_open_port():
    """TXT keys (RFC 6763 section 6), goodbye (RFC 6762 10.1)."""
    scene = Scene(chosen=(LIGHT,))
    keys = (
        TextKey(key="fv", value="1.2", secret=None),
        TextKey(key="id", value="02005e100020", secret=None),
        TextKey(key="p", value=None, secret=Secret(b"02005e100020")),
    )
    scene.announce(LIGHT, "shelf-light.local", text=keys)
    inventory = scene.build()
    light = by_link(inventory, LIGHT).device_id
    [said] = facts_of(inventory, "announcement", light)
    assert (said.service_name, said.port, said.text_keys) == ("http", 80, ("fv", "id", "p"))
    assert said.discloses_version
    assert said.discloses_hardware_address
    assert said.discloses_password
    assert said.withdrawn is False
    assert said.relayed is False
    [service] = facts_of(inventory, "service", light)
    assert (service.state, service.used) == ("announced", None)
    [secret] = facts_of(inventory, "secret", light)
    assert (secret.reach, secret.follows_identity) == ("announced", True)


def test_s25_goodbye_and_relayed_copy():
    scene = chosen_scene()
    scene.announce(LIGHT, "shelf-light.local", at=1)
    scene.announce(LIGHT, "shelf-light.local", at=9, ttl=0)
    scene.announce(LIGHT, "shelf-light.local", at=5, by=ROUTER)
    facts = facts_of(scene.build(), "announcement")
    assert sorted((f.relayed, f.withdrawn) for f in facts) == [(False, True), (True, False)]


def test_s26_load_belongs_to_the_sender_and_names_the_rate():
    """E1.31-2018 9.3.1: universe 1 goes to 239.255.0.1."""
    scene = chosen_scene()
    scene.arp(LIGHT, IP[ROUTER])
    for universe in (1, 2):
        group = end(f"01:00:5e:7f:00:0{universe}", f"239.255.0.{universe}", 5568)
        key = scene.flow(end(LAPTOP, port=5568), group, protocol=17, received=0, outcome="unanswered")
        for frame in range(441):
            scene.say(key, "e131", e131(universe), at=frame / 44)
    inventory = scene.build()
    [load] = facts_of(inventory, "group-load")
    assert load.device_id == by_link(inventory, LAPTOP).device_id
    assert load.universes == 2
    assert load.frames_per_second == pytest.approx(88, rel=0.01)
    assert load.is_group
    [control] = facts_of(inventory, "control")
    assert (control.login_by_design, control.is_group, control.answered) == (False, True, None)


def test_s28_nonsense_names_at_a_steady_rhythm_are_a_probe():
    """NXDOMAIN (RFC 1035 4.1.1, RFC 8020); a failing name with growing pauses is none."""
    scene = chosen_scene(seconds=6000)
    for number in range(8):
        scene.lookup(LIGHT, f"zq{number}x.example", at=600 * number, code=3)
    [lookup] = facts_of(scene.build(), "name-lookup")
    assert lookup.failed_lookups == 8
    assert lookup.repeats_nonexistent is True
    scene = chosen_scene()
    for moment in (1, 2, 4, 8, 16, 32, 64, 128):
        scene.lookup(LIGHT, "old.example", at=moment, code=3)
    [lookup] = facts_of(scene.build(), "name-lookup")
    assert lookup.repeats_nonexistent is False


def test_s28_empty_answer_is_a_connectivity_probe():
    """204 No Content (RFC 9110 15.3.5)."""
    scene = chosen_scene()
    target = end(ROUTER, CLOUD, 80)
    scene.http(
        end(LIGHT, port=40_000), target, "GET", "/check", status=204, request={"host": "check.example"}
    )
    [contact] = facts_of(scene.build(), "remote-contact")
    assert (contact.purpose, contact.name, contact.name_source) == (
        "connectivity-probe",
        "check.example",
        "http-host",
    )


def test_s29_global_address_with_hardware_in_it():
    """RFC 4291 appendix A; a global address on the device's own link address is the home's, not outside."""
    scene = chosen_scene()
    own = "2001:db8:77::5eff:fe10:20"
    scene.flow(end(LIGHT, own, 40_000), end(ROUTER, "2001:db8:ffff::1", 443), ethertype=0x86DD)
    for number in range(3):
        scene.flow(end(LAPTOP, port=41_000), end(ROUTER, f"2001:db8:fff{number}::2", 443), ethertype=0x86DD)
    inventory = scene.build()
    light = by_link(inventory, LIGHT)
    [device] = facts_of(inventory, "device", light.device_id)
    assert device.globally_addressed is True
    assert [c.address for c in facts_of(inventory, "remote-contact", light.device_id)] == ["2001:db8:ffff::1"]


def test_s30_caller_from_outside():
    scene = chosen_scene()
    scene.flow(end(ROUTER, "203.0.113.66", 50_000), end(LIGHT, port=80), data=(100, 300))
    scene.flow(
        end(ROUTER, "203.0.113.67", 50_000), end(LIGHT, port=22), outcome="refused", received=1, data=(0, 0)
    )
    scene.flow(
        end(ROUTER, "203.0.113.68", 443), end(LIGHT, port=50_000), known="likely", outcome="mid-stream"
    )
    inventory = scene.build()
    light = by_link(inventory, LIGHT).device_id
    contacts = {c.address: c for c in facts_of(inventory, "remote-contact", light)}
    assert contacts["203.0.113.66"].initiator == "remote"
    assert contacts["203.0.113.66"].answered_with_data
    assert not contacts["203.0.113.67"].answered
    assert contacts["203.0.113.68"].initiator == "unknown"
    states = {(s.port, s.state): s.reached_from for s in facts_of(inventory, "service", light)}
    assert states[80, "answered"] == ("internet",)
    assert states[22, "refused"] == ()


def test_s31_a_search_is_not_a_discovery_and_the_gateways_questions_are_its_own():
    """ARP requests (RFC 826) for 254 addresses in three seconds."""
    scene = chosen_scene()
    for number in range(1, 255):
        scene.arp(LIGHT, f"192.168.77.{number}", at=number / 100)
    for number in range(1, 100):
        scene.arp(ROUTER, f"192.168.77.{number}", at=number / 100)
    inventory = scene.build()
    light = by_link(inventory, LIGHT).device_id
    [search] = [c for c in facts_of(inventory, "local-contact", light) if c.purpose == "search"]
    assert search.searched_addresses == 253
    assert all(c.device_id == light for c in facts_of(inventory, "local-contact") if c.purpose == "search")

    scene = chosen_scene()
    for link in (ROUTER, HUB, PHONE):
        scene.arp(LIGHT, IP[link])
    scene.say(
        scene.group_flow(end(LIGHT, port=5353), MDNS_LINK, MDNS, 5353),
        "mdns",
        dns("_http._tcp.local", kind=12),
    )
    purposes = {c.purpose for c in facts_of(scene.build(), "local-contact")}
    assert purposes == {"address-configuration", "discovery"}


def test_s34_attempts_are_not_contacts_that_were_answered():
    scene = chosen_scene()
    scene.flow(end(LIGHT, port=40_000), OUT, outcome="unanswered", received=0, sent=3)
    scene.flow(end(LIGHT, port=40_001), end(HUB, port=445), outcome="prohibited", received=0)
    inventory = scene.build()
    [contact] = facts_of(inventory, "remote-contact")
    assert dict(contact.outcomes) == {"unanswered": 1}
    assert not contact.answered
    [local] = [c for c in facts_of(inventory, "local-contact") if c.port == 445]
    assert (dict(local.outcomes), local.answered) == ({"prohibited": 1}, False)


def test_s39_what_others_did_among_themselves_is_not_kept():
    scene = chosen_scene()
    scene.lookup(PHONE, "private.example", ["203.0.113.9"])
    scene.tls(end(PHONE, port=50_000), end(ROUTER, "203.0.113.9", 443), "private.example")
    scene.lease(TWIN, "192.168.77.99", name="bedroom-of-alex")
    scene.arp(LIGHT, IP[ROUTER])
    inventory = scene.build()
    assert "private.example" not in repr(inventory)
    assert inventory.other_devices > 0


def test_s40_quiet_good_recording_still_says_what_it_could_not_show():
    scene = Scene(home=light_home((30, "power-on"), (120, "app")))
    scene.others()
    scene.lease(LIGHT, at=31)
    scene.lookup(LIGHT, "cloud.example", [CLOUD], at=32)
    scene.tls(end(LIGHT, port=40_000), OUT, at=33, lasts=560)
    scene.http(
        end(PHONE, port=50_000), end(LIGHT, port=80), "PUT", "/light", at=121,
        request={"body": ("on",), "scheme": "digest"},
    )  # fmt: skip
    inventory = scene.build()
    light = by_link(inventory, LIGHT)
    assert light.lighting.confidence == "certain"
    assert light.nickname == "shelf light"
    assert set(inventory.coverage.abilities) >= {
        "unicast-with-device", "both-directions", "joining-seen", "control-seen", "idle-seen", "names-visible",
        "payload-visible",
    }  # fmt: skip
    assert set(inventory.coverage.phases) == {"joining", "local-control", "idle"}
    assert inventory.coverage.could_not_see  # control through the cloud needs timing
    [contact] = [c for c in facts_of(inventory, "remote-contact") if c.port == 443]
    assert (contact.name, contact.name_source, contact.standing) == ("cloud.example", "dns", True)
    assert "app, power-on" in inventory.coverage.scope
    check_chosen(inventory)


def test_unknown_device_is_refused_with_the_word_that_was_given():
    scene = Scene(chosen=("02:00:00:00:00:77",))
    scene.others()
    with pytest.raises(JudgementError, match="02:00:00:00:00:77: not in this recording"):
        check_chosen(scene.build())


def test_no_lighting_device_is_refused():
    scene = Scene()
    scene.others()
    with pytest.raises(JudgementError, match="no lighting device"):
        check_chosen(scene.build())


def test_srv_without_service_or_with_foreign_instance_gives_no_announcement():
    scene = chosen_scene()
    key = scene.group_flow(end(LIGHT, port=5353), MDNS_LINK, MDNS, 5353)
    odd = (
        record("plain.local", 33, target="x.local", port=1),
        record("_http._tcp.local", 12, target="x._ipp._tcp.local"),
    )
    scene.say(key, "mdns", dns("", odd, response=True))
    assert facts_of(scene.build(), "announcement") == []
