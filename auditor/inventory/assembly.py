"""The order in which counted sightings become devices, facts and coverage."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from auditor.addresses import (
    AddressKind,
    LinkAddress,
    interface_identifier_link,
    is_ipv4,
    is_locally_administered,
    kind_of,
)
from auditor.capture.record import CaptureFacts
from auditor.flows.flow import Flow, FlowKey
from auditor.inventory.abilities import DeviceSights, device_abilities, recorder_link
from auditor.inventory.choose import nickname_of, resolve_chosen, second_interface
from auditor.inventory.collected import Collected
from auditor.inventory.commissioning import commissioning_facts
from auditor.inventory.contacts import remote_contacts
from auditor.inventory.control_facts import carrying_contacts, control_facts, controlled_ports
from auditor.inventory.coverage import build_coverage, bypassing, summarise_captures
from auditor.inventory.devices import assemble_network
from auditor.inventory.expected import Wishes
from auditor.inventory.facts import (
    FACT_CLASSES,
    ControlFact,
    DeviceFact,
    DownloadFact,
    Fact,
    RemoteContactFact,
)
from auditor.inventory.floods import unread_floods
from auditor.inventory.identity import Join
from auditor.inventory.lighting import build_cases, rank_cases
from auditor.inventory.local_contacts import arp_contacts, local_contacts
from auditor.inventory.lookups import is_encrypted_lookup
from auditor.inventory.model import ABILITIES, Ability, Device, Inventory, LightingRank
from auditor.inventory.network import Host, Network, Pairs
from auditor.inventory.order_timing import OrderTimings
from auditor.inventory.prefixes import known_prefixes
from auditor.inventory.relevance import concerning, listed_devices, other_names
from auditor.inventory.roles import build_roles
from auditor.inventory.separation import separation_facts
from auditor.inventory.services import gather_services, orient_flows, service_facts
from auditor.inventory.timeline import Timeline
from auditor.inventory.unread import encrypted_control, unread_conversations
from auditor.inventory.vantage import Judged, Sights, gather_sights, judge_vantage
from auditor.inventory.vendors import vendor_of
from auditor.units import NS_PER_SECOND

REBOOT_AFTER_NS = 60 * NS_PER_SECOND  # a join later than this after the first sighting is a second start
NOT_LIGHTING = frozenset({"router", "phone", "computer", "hub", "broker", "recorder", "server"})


def assemble_inventory(
    builder: Collected,
    flows: list[Flow],
    captures: tuple[CaptureFacts, ...],
    unclaimed: Mapping[FlowKey, int],
    contradicting: Sequence[FlowKey],
) -> Inventory:
    """Build the inventory of one run."""
    network, pairs = assemble_network(flows, builder.identity, builder.home)
    timeline = Timeline(builder.home, captures)
    joins = _joins(builder, network, pairs)
    cases = build_cases(
        network,
        builder.home,
        builder.identity,
        builder.announcements,
        builder.controls,
        builder.load,
        joins,
        timeline,
    )
    oriented = orient_flows(flows, network, builder.content)
    services = gather_services(oriented, builder.announcements, network)
    builder.file_transfers.note_answers(services, oriented, network, builder.content)
    sights = gather_sights(flows, len(captures), builder.survey.protected)

    first_seen = {device_id: host.first_ns or 0 for device_id, host in network.hosts.items()}
    roles = build_roles(
        network, builder.home, builder.identity, builder.content, builder.controls, services, cases, None
    )
    ranks = rank_cases(cases, _excluded(roles), first_seen)
    chosen, absent = resolve_chosen(builder.chosen, network, builder.home, ranks)
    judged = _judge(builder, network, sights, captures, chosen)
    recorder = recorder_link(judged) or _stated_recorder(builder)
    recorder_host = network.host_of(recorder) if recorder is not None else None
    recorder_id = recorder_host.device_id if recorder_host else None
    roles = build_roles(
        network,
        builder.home,
        builder.identity,
        builder.content,
        builder.controls,
        services,
        cases,
        recorder_id,
    )
    if not builder.chosen:
        ranks = rank_cases(cases, _excluded(roles), first_seen)
        chosen, absent = resolve_chosen((), network, builder.home, ranks)
    else:
        ranks = _rank_what_was_asked_for(ranks, roles, chosen)
    roles = {
        device_id: tuple(sorted({*found, *(("lighting",) if ranks[device_id].rank else ())})) or ("unknown",)
        for device_id, found in roles.items()
    }

    controls = control_facts(network, roles, builder.controls, builder.load, builder.identity)
    missing = {
        device_id: device_abilities(
            host, _seen_of(host, controls, joins, recorder_id), sights, judged, captures, timeline
        )
        for device_id, host in network.hosts.items()
    }
    wishes = Wishes(builder.home, network, roles)
    encrypted = [
        (conversation, content)
        for conversation, content in builder.content.rows.items()
        if is_encrypted_lookup(conversation, content)
    ]
    visible = {device_id: "unicast-with-device" not in reasons for device_id, reasons in missing.items()}
    downloads = builder.downloads.facts(network)
    recorded_octets = sum(flow.octets_sent + flow.octets_received for flow in flows)
    timings = OrderTimings(builder.payload_times, network, roles, timeline, frozenset(chosen))
    facts: dict[str, list[Fact]] = {
        "device": _device_facts(network, roles, visible, pairs),
        "service": service_facts(services, recorder_id, visible),
        "announcement": [*builder.announcements.facts(network), *builder.banners.facts(network)],
        "remote-contact": remote_contacts(
            oriented,
            network,
            builder.names,
            timeline,
            wishes,
            builder.downloads.purposes(network),
            carrying_contacts(builder.controls, network),
            timings,
            frozenset(chosen),
        ),
        "local-contact": [
            *local_contacts(oriented, network, roles, wishes, controlled_ports(builder.controls, network)),
            *arp_contacts(flows, network, roles, wishes),
        ],
        "control": controls,
        "secret": builder.secrets.facts(network),
        "name-lookup": builder.lookups.facts(network, builder.identity, encrypted),
        "encrypted-session": builder.sessions.facts(network),
        "download": downloads,
        "group-load": [
            *builder.load.facts(network, recorded_octets),
            *unread_floods(oriented, network, recorded_octets),
        ],
        "port-mapping": builder.port_mappings.facts(network, roles, visible),
        "wireless-network": builder.wireless.facts(network, pairs),
        "commissioning": commissioning_facts(builder.announcements, network),
        "separation": separation_facts(
            flows,
            network,
            pairs,
            roles,
            builder.identity,
            wishes,
            is_home_network=all(one.vantage != "own-access-point" for one in judged),
        ),
    }
    used = {key[0:4] for key, row in services.items() if row.users & set(chosen)}
    drivers = {f.from_id for f in controls if isinstance(f, ControlFact) and f.device_id in chosen}
    kept = {
        word: concerning(facts[word], set(chosen), drivers, used) for word in FACT_CLASSES if word in facts
    }
    listed = listed_devices(network, roles, chosen, kept)
    kept["device"] = tuple(fact for fact in facts["device"] if fact.device_id in listed)
    unread = unread_conversations(oriented, unclaimed, contradicting, network, chosen, recorder_id)
    encrypted_orders = encrypted_control(oriented, timeline, chosen, recorder_id)
    phases = _phases(chosen, controls, downloads, joins, network, timeline, recorder_id)
    if any(isinstance(f, RemoteContactFact) and f.carries_control for f in kept["remote-contact"]):
        phases.append("remote-control")
    if encrypted_orders:
        phases.append("local-control-encrypted")
    bypassed = bypassing(flows)
    coverage = build_coverage(
        judged,
        {device_id: missing[device_id] for device_id in chosen},
        timeline,
        builder.survey,
        phases,
        captures,
        {**builder.overflows(), "devices": network.overflow, "timing of orders": timings.overflow},
        bypassed,
        sum(row.flow.connections for row in encrypted_orders),
        sum(row.is_contradicting for rows in unread.values() for row in rows),
    )
    devices = [
        _device(network.hosts[device_id], network, builder, roles, ranks, missing, joins, chosen)
        for device_id in listed
    ]
    devices.sort(
        key=lambda d: (not d.is_chosen, d.lighting.rank or len(listed) + 1, d.first_seen_ns, d.device_id)
    )
    return Inventory(
        captures=summarise_captures(captures, judged, flows, coverage.holes, bypassed),
        coverage=coverage,
        devices=tuple(devices),
        facts=kept,
        issues=tuple(sorted(builder.issues, key=lambda issue: issue.packet or (1 << 30, 0))),
        unread_messages=_unread(unclaimed, network, set(chosen)),
        other_devices=len(network.hosts) - len(listed),
        other_names=other_names(network, listed),
        not_in_recording=absent,
        unread=unread,
        prefixes=known_prefixes(flows, network, builder.identity),
    )


def _excluded(roles: Mapping[str, Sequence[str]]) -> list[str]:
    return [device_id for device_id, found in roles.items() if NOT_LIGHTING & set(found)]


def _rank_what_was_asked_for(
    ranks: dict[str, LightingRank], roles: Mapping[str, Sequence[str]], chosen: Sequence[str]
) -> dict[str, LightingRank]:
    """A device that the user chose is audited as a light, unless its part in the network is another."""
    last = max((rank.rank for rank in ranks.values()), default=0)
    result = dict(ranks)
    for device_id in chosen:
        rank = ranks[device_id]
        if not rank.rank and not NOT_LIGHTING & set(roles[device_id]):
            last += 1
            reasons = ("chosen by the user", *rank.reasons)
            result[device_id] = LightingRank(rank=last, confidence="perhaps", reasons=reasons)
    return result


def _stated_recorder(builder: Collected) -> LinkAddress | None:
    """The one that the home file or the recording itself names; on the path no vantage tells it."""
    stated = {named.link_address for named in builder.home.devices if named.role == "recorder"}
    return next(iter(stated)) if len(stated) == 1 else None


def _judge(
    builder: Collected,
    network: Network,
    sights: Sequence[Sights],
    captures: Sequence[CaptureFacts],
    chosen: Sequence[str],
) -> list[Judged]:
    targets = {link for device_id in chosen for link in network.hosts[device_id].links}
    recorders = {named.link_address for named in builder.home.devices if named.role == "recorder"}
    return [
        judge_vantage(sight, facts, targets, network.router_links, recorders)
        for sight, facts in zip(sights, captures, strict=True)
    ]


def _joins(builder: Collected, network: Network, pairs: Pairs) -> dict[str, Join]:
    """The last join of each device: the one after the power came back."""
    found: dict[str, list[Join]] = {}
    for link, joins in builder.identity.joins.items():
        host = network.host_of(link)
        if host is None:
            lease = builder.identity.leases.rows.get(link)
            host = next((h for a in (lease.addresses if lease else ()) if (h := network.at_address(a))), None)
        if host is not None:
            found.setdefault(host.device_id, []).extend(joins)
    for link, probes in pairs.probes.items():
        host = network.host_of(link)
        if host is not None:
            found.setdefault(host.device_id, []).extend(Join(*probe) for probe in probes)
    return {device_id: _start_of_last(joins) for device_id, joins in found.items() if joins}


def _start_of_last(joins: list[Join]) -> Join:
    """The first sign of the last start: signs less than a minute apart are one start."""
    ordered = sorted(joins)
    start = ordered[0]
    for earlier, later in itertools.pairwise(ordered):
        if later.timestamp_ns - earlier.timestamp_ns > REBOOT_AFTER_NS:
            start = later
    return start


def _seen_of(
    host: Host, controls: Sequence[Fact], joins: Mapping[str, Join], recorder_id: str | None
) -> DeviceSights:
    controlled = any(
        isinstance(fact, ControlFact)
        and fact.device_id == host.device_id
        and fact.effect != "read"
        and (recorder_id is None or fact.from_id != recorder_id)
        for fact in controls
    )
    return DeviceSights(controlled=controlled, joined=host.device_id in joins, sends_groups=False)


def _device_facts(
    network: Network, roles: Mapping[str, tuple[str, ...]], visible: Mapping[str, bool], pairs: Pairs
) -> list[Fact]:
    facts: list[Fact] = []
    for device_id, host in sorted(network.hosts.items()):
        version6 = [address for address in host.addresses if not is_ipv4(address)]
        is_global = any(kind_of(address) is AddressKind.GLOBAL for address in version6)
        packets = {
            seen[2]
            for link in host.links
            for a, seen in pairs.sent.get(link, {}).items()
            if a in host.addresses
        }
        facts.append(
            DeviceFact(
                device_id=device_id,
                evidence=tuple(sorted(packets)[:8]),
                first_seen_ns=host.first_ns or 0,
                last_seen_ns=host.last_ns or 0,
                roles=roles[device_id],
                locally_administered=any(is_locally_administered(link) for link in host.links),
                globally_addressed=True
                if is_global
                else (False if host.addresses or visible[device_id] else None),
                address_reveals_hardware=any(interface_identifier_link(a) in host.links for a in version6),
                behind_repeater=host.behind_repeater,
            )
        )
    return facts


def _phases(
    chosen: Sequence[str],
    controls: Sequence[Fact],
    downloads: Sequence[Fact],
    joins: Mapping[str, Join],
    network: Network,
    timeline: Timeline,
    recorder_id: str | None,
) -> list[str]:
    phases: list[str] = []
    mine = set(chosen)
    if mine & set(joins):
        phases.append("joining")
    if any(
        _seen_of(network.hosts[device_id], controls, joins, recorder_id).controlled for device_id in chosen
    ):
        phases.append("local-control")
    if timeline.idle:
        phases.append("idle")
    if any(isinstance(d, DownloadFact) and d.device_id in mine and d.looks_like_firmware for d in downloads):
        phases.append("update")
    starts = [(joins[d].timestamp_ns, network.hosts[d].first_ns) for d in chosen if d in joins]
    if any(first is not None and joined - first > REBOOT_AFTER_NS for joined, first in starts):
        phases.append("reboot")
    return phases


def _device(
    host: Host,
    network: Network,
    builder: Collected,
    roles: Mapping[str, tuple[str, ...]],
    ranks: Mapping[str, LightingRank],
    missing: Mapping[str, Mapping[Ability, str]],
    joins: Mapping[str, Join],
    chosen: Sequence[str],
) -> Device:
    join = joins.get(host.device_id)
    links = tuple(host.links)
    return Device(
        device_id=host.device_id,
        identity=host.identity,
        nickname=nickname_of(host, builder.home),
        link_addresses=links,
        locally_administered=any(is_locally_administered(link) for link in links),
        addresses=tuple(sorted(host.addresses)),
        hostnames=tuple(host.names),
        vendor=next((vendor for link in links if host.own_link and (vendor := vendor_of(link))), None),
        roles=roles[host.device_id],
        lighting=ranks[host.device_id],
        abilities=tuple(ability for ability in ABILITIES if ability not in missing[host.device_id]),
        is_chosen=host.device_id in chosen,
        first_seen_ns=host.first_ns or 0,
        last_seen_ns=host.last_ns or 0,
        joined=join.packet if join else None,
        behind_repeater=host.behind_repeater,
        may_belong_to=second_interface(host, network),
        dhcp_vendor_class=host.vendor_class,
    )


def _unread(unclaimed: Mapping[FlowKey, int], network: Network, chosen: set[str]) -> int:
    return sum(
        count
        for key, count in unclaimed.items()
        if {network.party(key.initiator).device_id, network.party(key.responder).device_id} & chosen
    )
