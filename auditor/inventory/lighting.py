"""
How likely a device is the lighting controller, with the reasons.

Standards: RFC 6763 and the IANA service names (announced services), ANSI E1.31-2018 section 9.3 (groups).

Weights are ours.  Only the household makes it certain; a prefix registrant is
no reason, it names the maker of the radio chip (scenario S12).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from auditor.addresses import Address, is_ipv4
from auditor.flows.flow import Endpoint, PacketReference
from auditor.home.model import Home
from auditor.inventory.announcements import AnnouncementCollector
from auditor.inventory.controls import ControlCollector
from auditor.inventory.identity import IdentityCollector, Join
from auditor.inventory.load import LoadCollector, is_to_many
from auditor.inventory.model import LightingRank
from auditor.inventory.network import Network
from auditor.inventory.timeline import Timeline
from auditor.units import NS_PER_SECOND

CERTAIN, LIKELY, PERHAPS = 1000, 50, 15  # scores from which a confidence holds
JOIN_WINDOW_NS = (
    120 * NS_PER_SECOND
)  # start-up of a small controller, Wi-Fi association included (common practice)

LIGHTING_SERVICES = frozenset({"dali", "sacn", "e131", "acn", "artnet", "art-net", "dmx", "osc"})
HOME_CONTROL_SERVICES = frozenset({"hap", "matter", "matterc", "knx", "coap"})
"""Service names in use for control of things at home (RFC 6335 registry, common practice)."""

LIGHT_NAME = re.compile(
    r"(?:^|[^a-z])(lights?|lamps?|leds?|pixels?|dmx|strips?|bulbs?|luminaires?|dimmers?|artnet|sacn)(?:[^a-z]|$)"
)


@dataclass(slots=True)
class Case:
    """What speaks for one device."""

    score: int = 0
    reasons: list[str] = field(default_factory=list)
    known: set[str] = field(default_factory=set)
    by_household: bool = False

    def add(self, score: int, reason: str, where: str = "") -> None:
        """Count a reason once, however often it was seen; ``where`` names the first place."""
        if reason not in self.known:
            self.known.add(reason)
            self.score += score
            self.reasons.append(reason + where)


def at_packet(packet: PacketReference | None) -> str:
    """Where something was seen, for a sentence."""
    if packet is None:
        return ""
    return f" (packet {packet.packet_number} of capture {packet.capture_index + 1})"


def build_cases(
    network: Network,
    home: Home,
    identity: IdentityCollector,
    announcements: AnnouncementCollector,
    controls: ControlCollector,
    load: LoadCollector,
    joins: dict[str, Join],
    timeline: Timeline,
) -> dict[str, Case]:
    """Gather the reasons for every device, strongest first."""
    cases = {device_id: Case() for device_id in network.hosts}
    for named in home.devices:
        host = network.host_of(named.link_address)
        if host is not None and named.role == "lighting":
            cases[host.device_id].add(CERTAIN, "the home file says so")
            cases[host.device_id].by_household = True
    _by_protocol(cases, network, identity, load)
    _by_announcement(cases, network, announcements)
    _by_control(cases, network, controls)
    for device_id, join in joins.items():
        action = timeline.power_on_before(join.timestamp_ns, JOIN_WINDOW_NS)
        if action is not None:
            seconds = (join.timestamp_ns - action.at_ns) / NS_PER_SECOND
            where = at_packet(join.packet)
            cases[device_id].add(45, f"{join.how} {seconds:.0f} s after the noted power-on", where)
    for device_id, host in network.hosts.items():
        for name in host.names:
            if LIGHT_NAME.search(name.lower()):
                cases[device_id].add(20, "its own name has a word for lights in it")
    return cases


def _by_protocol(
    cases: dict[str, Case], network: Network, identity: IdentityCollector, load: LoadCollector
) -> None:
    for key, row in load.rows.items():
        receiver = network.party(key.receiver)
        if receiver.is_device and not is_to_many(key.receiver):
            where = at_packet(row.evidence[0])
            cases[receiver.device_id].add(60, f"was sent lighting data ({key.protocol})", where)
    for link, packets in identity.nodes.items():
        host = network.host_of(link)
        if host is not None and packets:
            cases[host.device_id].add(60, f"answered as a lighting node{at_packet(packets[0])}")
    for link, groups in identity.groups.items():
        host = network.host_of(link)
        for group, packet in groups.items():
            if host is not None and is_lighting_group(group):
                cases[host.device_id].add(60, f"joined a group of lighting data{at_packet(packet)}")
                break


def is_lighting_group(group: Address) -> bool:
    """
    Whether a group is one of E1.31's: 239.255 and the universe (section 9.3.1).

    239.255.255.x is left out: it holds other protocols, and universes from 65280 on do not exist.
    """
    return is_ipv4(group) and group[12:14] == b"\xef\xff" and group[14] != 0xFF


def _by_announcement(cases: dict[str, Case], network: Network, announcements: AnnouncementCollector) -> None:
    for key, row in announcements.rows.items():
        party = network.party(Endpoint(key.source, key.address, 0))
        if not party.is_device or key.service_name is None or not row.count:
            continue
        where = at_packet(row.evidence[0])
        if key.service_name in LIGHTING_SERVICES or LIGHT_NAME.search(key.service_name):
            cases[party.device_id].add(50, f"announces a lighting service ({key.service_name})", where)
        elif key.service_name in HOME_CONTROL_SERVICES:
            cases[party.device_id].add(25, f"announces a service of home control ({key.service_name})", where)


def _by_control(cases: dict[str, Case], network: Network, controls: ControlCollector) -> None:
    for key, row in controls.rows.items():
        server = network.party(key.server)
        if not server.is_device:
            continue
        where = at_packet(row.evidence[0])
        if key.effect == "light" and key.protocol != "mqtt" and key.answered:
            cases[server.device_id].add(50, "took an order that drives a light", where)
        elif key.effect == "light" and key.protocol == "mqtt":
            cases[server.device_id].add(30, "was sent an order for a light by a broker", where)
        elif row.describes_light:
            cases[server.device_id].add(20, "answered with the state of a light", where)


def rank_cases(
    cases: dict[str, Case], excluded: Iterable[str], first_seen: dict[str, int]
) -> dict[str, LightingRank]:
    """Order the candidates; excluded devices are none unless the household named them."""
    out = set(excluded)
    candidates = sorted(
        (
            device_id
            for device_id, case in cases.items()
            if case.score >= PERHAPS and (case.by_household or device_id not in out)
        ),
        key=lambda device_id: (-cases[device_id].score, first_seen.get(device_id, 0), device_id),
    )
    ranks: dict[str, LightingRank] = {}
    for rank, device_id in enumerate(candidates, 1):
        case = cases[device_id]
        word = "certain" if case.by_household else ("likely" if case.score >= LIKELY else "perhaps")
        ranks[device_id] = LightingRank(rank=rank, confidence=word, reasons=tuple(case.reasons))  # type: ignore[arg-type]
    for device_id, case in cases.items():
        if device_id not in ranks:
            ranks[device_id] = LightingRank(rank=0, confidence="none", reasons=tuple(case.reasons))
    return ranks
