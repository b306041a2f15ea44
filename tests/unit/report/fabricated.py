"""
An inventory and a judgement made by hand, so that reports are tested without the stages before them.

The household is invented: link addresses are locally administered, addresses
outside are those of RFC 5737 and RFC 3849, names end in ``.example``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from auditor.addresses import parse_address, parse_link
from auditor.capture.record import CaptureFacts, CaptureIssue, InterfaceFacts, IssueKind
from auditor.dissect.message import Issue
from auditor.flows.flow import PacketReference, Period
from auditor.inventory.facts import (
    FACT_CLASSES,
    ControlFact,
    EncryptedSessionFact,
    Fact,
    LocalContactFact,
    RemoteContactFact,
    ServiceFact,
)
from auditor.inventory.model import (
    ABILITIES,
    CaptureSummary,
    CouldNotSee,
    Coverage,
    Device,
    Inventory,
    LightingRank,
)
from auditor.ruleset.finding import (
    AcceptedFinding,
    Assessment,
    Finding,
    Judgement,
    Outcome,
    Reference,
    RemediationStep,
    Severity,
)

START_NS = 1_772_388_000_000_000_000  # 2026-03-01T18:00:00Z
SECOND = 1_000_000_000

LIGHT, HUB, PHONE, ROUTER = "dev-00000001", "dev-00000002", "dev-00000003", "dev-00000004"
LIGHT_LINK, HUB_LINK = "02:00:5e:10:00:20", "02:00:5e:10:00:10"
PHONE_LINK, ROUTER_LINK = "06:11:22:33:44:55", "02:00:5e:10:00:01"


def packet(number: int, capture_index: int = 0) -> PacketReference:
    return PacketReference(capture_index, number)


def capture(**changes: Any) -> CaptureSummary:
    facts = CaptureFacts(
        name="home.pcapng",
        sha256="ab" * 32,
        octets=123_456,
        format="pcapng",
        packets=900,
        first_ns=START_NS,
        last_ns=START_NS + 600 * SECOND,
        interfaces=(InterfaceFacts(link_type=1, snap_length=0),),
        issues=(),
        comments=(),
        clipped_packets=0,
    )
    issue = CaptureIssue(kind=IssueKind.DUPLICATES, count=3, detail="3 packets recorded twice, counted once")
    return CaptureSummary(facts=replace(facts, **changes), vantage="on-path", issues=(issue,))


def device(device_id: str, link: str, **changes: Any) -> Device:
    given: dict[str, Any] = {
        "device_id": device_id,
        "identity": f"link:{link}",
        "nickname": None,
        "link_addresses": (parse_link(link),),
        "locally_administered": True,
        "addresses": (),
        "hostnames": (),
        "vendor": None,
        "roles": ("unknown",),
        "lighting": LightingRank(rank=0, confidence="none", reasons=()),
        "abilities": ABILITIES,
        "is_chosen": False,
        "first_seen_ns": START_NS,
        "last_seen_ns": START_NS + 600 * SECOND,
        "joined": None,
        "behind_repeater": False,
        "may_belong_to": None,
        "dhcp_vendor_class": None,
    }
    return Device(**{**given, **changes})


def household() -> tuple[Device, ...]:
    return (
        device(
            LIGHT,
            LIGHT_LINK,
            nickname="shelf light",
            addresses=(parse_address("192.168.77.20"), parse_address("fd00:77::20")),
            hostnames=("shelf.local",),
            roles=("lighting",),
            lighting=LightingRank(
                rank=1, confidence="likely", reasons=("It received lighting data in packet 40.",)
            ),
            is_chosen=True,
        ),
        device(
            HUB,
            HUB_LINK,
            nickname="kitchen hub of Wilhelmina",
            addresses=(parse_address("192.168.77.10"),),
            hostnames=("wilhelmina-hub.local",),
            roles=("hub", "broker"),
            vendor="Example Registrant",
        ),
        device(
            PHONE,
            PHONE_LINK,
            addresses=(parse_address("192.168.77.33"), parse_address("fd00:77::411:22ff:fe33:4455")),
            hostnames=("Wilhelminas-Phone", "wilhelminas-phone.local"),
            roles=("phone",),
        ),
        device(ROUTER, ROUTER_LINK, addresses=(parse_address("192.168.77.1"),), roles=("router",)),
    )


def remote_contact(**changes: Any) -> RemoteContactFact:
    given: dict[str, Any] = {
        "device_id": LIGHT,
        "evidence": (packet(57),),
        "first_seen_ns": START_NS + SECOND,
        "last_seen_ns": START_NS + 590 * SECOND,
        "initiator": "device",
        "name": "cloud.example",
        "name_source": "dns",
        "name_is_outer": False,
        "family": "ipv4",
        "address": "198.51.100.7",
        "port": 443,
        "transport": "tcp",
        "application_protocol": None,
        "confidentiality": "tls",
        "purpose": "other",
        "sent_octets": 12_345,
        "received_octets": 65_432,
        "flows": 3,
        "period": Period(median_seconds=60.0, jitter_seconds=0.25, count=10),
        "outcomes": {"refused": 1, "established": 2},
        "answered": True,
        "answered_with_data": True,
        "standing": True,
        "while_idle": None,
        "wished": None,
    }
    return RemoteContactFact(**{**given, **changes})


def local_contact(**changes: Any) -> LocalContactFact:
    given: dict[str, Any] = {
        "device_id": LIGHT,
        "evidence": (packet(70),),
        "first_seen_ns": START_NS + 2 * SECOND,
        "last_seen_ns": START_NS + 500 * SECOND,
        "peer_id": HUB,
        "peer_role": ("hub",),
        "family": "ipv4",
        "transport": "tcp",
        "port": 80,
        "application_protocol": "http",
        "purpose": "control",
        "flows": 598,
        "period": Period(median_seconds=1.0, jitter_seconds=0.01, count=598),
        "initiator_known": "proven",
        "outcomes": {"established": 598},
        "answered": True,
        "searched_addresses": None,
        "wished": None,
    }
    return LocalContactFact(**{**given, **changes})


def service(**changes: Any) -> ServiceFact:
    given: dict[str, Any] = {
        "device_id": LIGHT,
        "evidence": (packet(90),),
        "first_seen_ns": START_NS + 3 * SECOND,
        "last_seen_ns": START_NS + 30 * SECOND,
        "family": "ipv4",
        "transport": "tcp",
        "port": 80,
        "application_protocol": "http",
        "announced_as": "http",
        "state": "answered",
        "confidentiality": "clear",
        "reached_from": ("same-segment",),
        "used": True,
    }
    return ServiceFact(**{**given, **changes})


def control(**changes: Any) -> ControlFact:
    given: dict[str, Any] = {
        "device_id": LIGHT,
        "evidence": (packet(91), packet(95)),
        "first_seen_ns": START_NS + 3 * SECOND,
        "last_seen_ns": START_NS + 30 * SECOND,
        "from_id": PHONE,
        "from_role": ("phone",),
        "from_segment": "same-segment",
        "protocol": "http",
        "operation": "POST /json/state",
        "effect": "light",
        "reads_configuration": False,
        "authentication": "none",
        "login_by_design": True,
        "answered": True,
        "confidentiality": "clear",
        "open_to_web_pages": None,
        "is_group": False,
        "count": 4,
        "period": None,
    }
    return ControlFact(**{**given, **changes})


def session(**changes: Any) -> EncryptedSessionFact:
    given: dict[str, Any] = {
        "device_id": PHONE,
        "evidence": (packet(300),),
        "first_seen_ns": START_NS,
        "last_seen_ns": START_NS,
        "peer_name": "diary.example",
        "port": 443,
        "role": "client",
        "version": "1.3",
        "cipher_suite": 0x1301,
        "suite_is_weak": False,
        "certificate_problem": None,
        "certificate_seen": False,
        "peer_is_outside": True,
        "count": 1,
    }
    return EncryptedSessionFact(**{**given, **changes})


def facts(*given: Fact) -> dict[str, tuple[Fact, ...]]:
    found: dict[str, tuple[Fact, ...]] = dict.fromkeys(FACT_CLASSES, ())
    for word, kind in FACT_CLASSES.items():
        found[word] = tuple(fact for fact in given if type(fact) is kind)
    return found


def coverage(**changes: Any) -> Coverage:
    given: dict[str, Any] = {
        "vantage": "on-path",
        "capture_vantages": ("on-path",),
        "vantage_reasons": ("unicast of several devices passed in both directions",),
        "start_ns": START_NS,
        "end_ns": START_NS + 600 * SECOND,
        "duration_seconds": 600.0,
        "holes": (),
        "abilities": tuple(one for one in ABILITIES if one != "idle-seen"),
        "missing": {
            "idle-seen": CouldNotSee(
                question="What does it do while nobody acts?",
                reason="somebody acted all the time",
                record_next="leave it alone for ten minutes",
            )
        },
        "phases": ("joining", "local-control"),
        "could_not_see": (
            CouldNotSee(
                question="Does it check for updates?",
                reason="ten minutes are too short for that.",
                record_next="record one whole night",
            ),
        ),
        "scope": "From the path, 10 minutes, joining and local control.",
    }
    return Coverage(**{**given, **changes})


def inventory(**changes: Any) -> Inventory:
    given: dict[str, Any] = {
        "captures": (capture(),),
        "coverage": coverage(),
        "devices": household(),
        "facts": facts(
            remote_contact(),
            remote_contact(device_id=PHONE, name="diary.example", address="203.0.113.9"),
            local_contact(),
            local_contact(device_id=PHONE, peer_id=LIGHT, flows=2, period=None),
            local_contact(device_id=PHONE, peer_id=HUB, flows=1, period=None),
            local_contact(
                peer_id="group:224.0.0.251", transport="udp", port=5353, outcomes={"unanswered": 4}
            ),
            service(),
            service(device_id=HUB),
            service(device_id=HUB, port=8443, state="announced", confidentiality="unknown", reached_from=()),
            control(),
            control(device_id=HUB, from_id=PHONE),
            session(),
        ),
        "issues": (
            Issue(
                where="dns question_name",
                problem="label of 70 octets",
                packet=packet(12),
                timestamp_ns=START_NS,
            ),
            Issue(
                where="dns question_name",
                problem="label of 70 octets",
                packet=packet(14),
                timestamp_ns=START_NS,
            ),
        ),
        "unread_messages": 2,
        "other_devices": 3,
    }
    return Inventory(**{**given, **changes})


def finding(**changes: Any) -> Finding:
    given: dict[str, Any] = {
        "finding_id": "0123456789abcdef",
        "rule_id": "light-control-without-login",
        "title": "Anyone on the same network can control this light",
        "severity": Severity.MEDIUM,
        "confidence": "seen",
        "device_id": LIGHT,
        "summary": f"{PHONE} changed the light by http without a login; it was accepted.",
        "household": "Anyone on your Wi-Fi can switch this light.",
        "evidence": (packet(91), packet(95)),
        "count": 1,
        "rationale": "Whoever shares the network can do the same, for instance from 192.0.2.53.",
        "remediation": (
            RemediationStep(
                do="Set a password in the light's own settings.",
                stops="Apps that do not know the password.",
                test="Record again and switch the light from a phone without the password.",
                undo="Clear the password.",
            ),
        ),
        "references": (Reference(standard="ETSI EN 303 645 V3.1.3", clause="5.5-4", strength="should"),),
    }
    return Finding(**{**given, **changes})


def assessments() -> tuple[Assessment, ...]:
    return (
        Assessment(
            rule_id="light-control-without-login",
            device_id=LIGHT,
            outcome=Outcome.FOUND,
            reason="1 finding",
            scope=None,
            record_next=None,
            finding_ids=("0123456789abcdef",),
        ),
        Assessment(
            rule_id="remote-shell-open",
            device_id=LIGHT,
            outcome=Outcome.NOT_FOUND,
            reason="no such service answered",
            scope="From the path, 10 minutes, joining and local control.",
            record_next=None,
            finding_ids=(),
        ),
        Assessment(
            rule_id="remote-contact-while-idle",
            device_id=LIGHT,
            outcome=Outcome.UNDETERMINED,
            reason="somebody acted all the time",
            scope=None,
            record_next="leave it alone for ten minutes",
            finding_ids=(),
        ),
        Assessment(
            rule_id="port-mapping-granted",
            device_id="network",
            outcome=Outcome.NOT_APPLICABLE,
            reason="no router was seen",
            scope=None,
            record_next=None,
            finding_ids=(),
        ),
    )


def accepted(*, expired: bool = False) -> AcceptedFinding:
    one = finding(
        finding_id="fedcba9876543210",
        rule_id="version-disclosed",
        severity=Severity.LOW,
        summary="It tells its version to everybody.",
    )
    return AcceptedFinding(finding=one, because="no setting for it", until="2026-12-31", expired=expired)


def judgement(**changes: Any) -> Judgement:
    given: dict[str, Any] = {
        "assessments": assessments(),
        "findings": (finding(),),
        "accepted": (accepted(),),
    }
    return Judgement(**{**given, **changes})
