"""A small invented household as facts, for judging without a recording.  Link addresses are locally administered."""

from zlib import crc32

from auditor.addresses import parse_link
from auditor.flows.flow import PacketReference
from auditor.inventory.facts import (
    FACT_CLASSES,
    AnnouncementFact,
    CommissioningFact,
    ControlFact,
    ConversationChangeFact,
    DeviceFact,
    GroupLoadFact,
    LocalContactFact,
    NameLookupFact,
    PortMappingFact,
    RemoteContactFact,
    SecretFact,
    SeparationFact,
    ServiceFact,
    WirelessNetworkFact,
)
from auditor.inventory.model import ABILITIES, CouldNotSee, Coverage, Device, Inventory, LightingRank

SCOPE = "Seen from the router, 10 minutes, with: app."
END_NS = 1_772_384_700_000_000_000  # 2026-03-01T17:05:00Z


def seen(*numbers):
    """What every fact carries."""
    numbers = numbers or (1,)
    return {
        "evidence": tuple(PacketReference(0, number) for number in numbers),
        "first_seen_ns": numbers[0] * 1000,
        "last_seen_ns": numbers[-1] * 1000,
    }


def device(name, *, roles=("lighting",), chosen=False, abilities=ABILITIES, nickname=None, link=None):
    link = parse_link(link or f"02:00:5e:10:00:{crc32(name.encode()) % 200 + 16:02x}")
    return Device(
        device_id=name,
        identity=f"link:{name}",
        nickname=nickname,
        link_addresses=(link,),
        locally_administered=True,
        addresses=(),
        hostnames=(),
        vendor=None,
        roles=roles,
        lighting=LightingRank(rank=1 if chosen else 0, confidence="likely", reasons=()),
        abilities=abilities,
        is_chosen=chosen,
        first_seen_ns=0,
        last_seen_ns=1,
        joined=None,
        behind_repeater=False,
        may_belong_to=None,
        dhcp_vendor_class=None,
    )


def coverage(abilities=ABILITIES):
    missing = {
        ability: CouldNotSee(question=ability, reason=f"no {ability}", record_next=f"Record {ability}.")
        for ability in ABILITIES
        if ability not in abilities
    }
    return Coverage(
        vantage="on-path",
        capture_vantages=("on-path",),
        vantage_reasons=(),
        start_ns=END_NS - 600_000_000_000,
        end_ns=END_NS,
        duration_seconds=600.0,
        holes=(),
        abilities=abilities,
        missing=missing,
        phases=(),
        could_not_see=(),
        scope=SCOPE,
    )


def inventory(*facts, devices=None, abilities=ABILITIES):
    devices = devices or (device("light", chosen=True, abilities=abilities),)
    by_class = {fact_class: about for about, fact_class in FACT_CLASSES.items()}
    return Inventory(
        captures=(),
        coverage=coverage(abilities),
        devices=tuple(devices),
        facts={
            about: tuple(fact for fact in facts if by_class[type(fact)] == about) for about in FACT_CLASSES
        },
        issues=(),
        unread_messages=0,
        other_devices=0,
    )


def control(*numbers, **changes):
    values = {
        "device_id": "light",
        "from_id": "phone",
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
        "open_to_web_pages": False,
        "is_group": False,
        "count": 1,
        "period": None,
    }
    return ControlFact(**{**values, **seen(*numbers), **changes})


def remote(*numbers, **changes):
    values = {
        "device_id": "light",
        "initiator": "device",
        "name": "lamp.service.example",
        "name_source": "dns",
        "name_is_outer": False,
        "family": "ipv4",
        "address": "198.51.100.7",
        "port": 443,
        "transport": "tcp",
        "application_protocol": "tls",
        "confidentiality": "tls",
        "purpose": "other",
        "sent_octets": 1000,
        "received_octets": 2000,
        "flows": 1,
        "period": None,
        "outcomes": {"established": 1},
        "answered": True,
        "answered_with_data": True,
        "standing": False,
        "while_idle": None,
        "wished": None,
    }
    return RemoteContactFact(**{**values, **seen(*numbers), **changes})


def local(*numbers, **changes):
    values = {
        "device_id": "light",
        "peer_id": "hub",
        "peer_role": ("hub",),
        "family": "ipv4",
        "transport": "tcp",
        "port": 80,
        "application_protocol": "http",
        "purpose": "control",
        "flows": 1,
        "period": None,
        "initiator_known": "proven",
        "outcomes": {"established": 1},
        "answered": True,
        "searched_addresses": None,
        "wished": None,
    }
    return LocalContactFact(**{**values, **seen(*numbers), **changes})


def service(*numbers, **changes):
    values = {
        "device_id": "light",
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
    return ServiceFact(**{**values, **seen(*numbers), **changes})


def announcement(*numbers, **changes):
    values = {
        "device_id": "light",
        "protocol": "mdns",
        "service_name": "http",
        "port": 80,
        "text_keys": (),
        "discloses_version": False,
        "discloses_hardware_address": False,
        "discloses_password": False,
        "withdrawn": False,
        "relayed": False,
    }
    return AnnouncementFact(**{**values, **seen(*numbers), **changes})


def secret(*numbers, **changes):
    values = {
        "device_id": "light",
        "kind": "password",
        "place": "http-basic",
        "field_name": "authorization",
        "protocol": "http",
        "reach": "inside",
        "direction": "from-device",
        "follows_identity": False,
        "same_on_devices": 1,
        "accepted": True,
        "count": 1,
    }
    return SecretFact(**{**values, **seen(*numbers), **changes})


def lookup(*numbers, **changes):
    values = {
        "device_id": "light",
        "resolver_address": "198.51.100.53",
        "resolver_is_outside": True,
        "offered": False,
        "encryption": "none",
        "lookups": 3,
        "failed_lookups": 0,
        "repeats_nonexistent": None,
    }
    return NameLookupFact(**{**values, **seen(*numbers), **changes})


def whole(*numbers, **changes):
    values = {
        "device_id": "light",
        "roles": ("lighting",),
        "locally_administered": True,
        "globally_addressed": False,
        "address_reveals_hardware": False,
        "behind_repeater": False,
    }
    return DeviceFact(**{**values, **seen(*numbers), **changes})


def load(*numbers, **changes):
    values = {
        "device_id": "light",
        "protocol": "e131",
        "universes": 4,
        "frames_per_second": 176.0,
        "octets_per_second": 112_288.0,
        "is_group": True,
        "share_of_recording": 0.5,
        "senders_of_same_universe": 1,
        "equal_priority": None,
    }
    return GroupLoadFact(**{**values, **seen(*numbers), **changes})


def mapping(*numbers, **changes):
    values = {
        "device_id": "light",
        "by_id": "light",
        "by_role": ("lighting",),
        "protocol": "nat-pmp",
        "state": "granted",
        "transport": "tcp",
        "external_port": 40080,
        "internal_port": 80,
        "lifetime_seconds": 7200,
        "lifetime": "7200 s",
        "requests": 1,
        "repeated": False,
        "withdrawn": False,
        "request_visible": True,
    }
    return PortMappingFact(**{**values, **seen(*numbers), **changes})


def wireless(*numbers, **changes):
    values = {
        "device_id": "light",
        "ssid": "shelf-light-set-up",
        "part": "access-point",
        "is_open": True,
        "is_set_up_network": True,
        "security": ("open",),
        "stations": 1,
    }
    return WirelessNetworkFact(**{**values, **seen(*numbers), **changes})


def commissioning(*numbers, **changes):
    values = {
        "device_id": "light",
        "kind": "commissionable",
        "window_open": True,
        "withdrawn": False,
        "count": 2,
    }
    return CommissioningFact(**{**values, **seen(*numbers), **changes})


def separation(*numbers, **changes):
    values = {
        "device_id": "light",
        "shares_segment": True,
        "shares_gateway": True,
        "neighbour_roles": ("computer", "phone"),
        "neighbours": 3,
        "wished": False,
    }
    return SeparationFact(**{**values, **seen(*numbers), **changes})


def change(*numbers, **changes):
    values = {
        "device_id": "light",
        "peer_id": "server",
        "peer_role": ("server",),
        "place": "home",
        "family": "ipv4",
        "transport": "tcp",
        "port": 445,
        "state": "stopped",
        "works": False,
        "proven": True,
        "wished": False,
        "holds": True,
    }
    return ConversationChangeFact(**{**values, **seen(*numbers), **changes})
