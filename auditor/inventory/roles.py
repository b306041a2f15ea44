"""
What part each device plays: router, resolver, broker, hub, phone, computer, server, recorder.

Standards: RFC 2131 (who leases), RFC 1035 (who answers), IEEE 802-2014 section 8.2.2 (private addresses).

The home file wins.  A private address and the browsing of a person make a
phone or computer, never an intruder (scenario S11).
"""

from __future__ import annotations

import re

from auditor.addresses import is_locally_administered
from auditor.flows.flow import Endpoint
from auditor.home.model import Home
from auditor.inventory.content import ContentCollector
from auditor.inventory.controls import ControlCollector
from auditor.inventory.effects import tells_of_others
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.lighting import PERHAPS, Case
from auditor.inventory.network import OUTSIDE, Host, Network
from auditor.inventory.services import ServiceRows

MIN_BROWSED_NAMES = 6  # different names asked of the outside: gadgets know one maker's handful, people do not
PHONE_NAME = re.compile(r"(?:^|[^a-z])(phone|mobile|handset|tablet)(?:[^a-z]|$)|phone")
COMPUTER_NAME = re.compile(r"(?:^|[^a-z])(laptop|desktop|notebook|workstation|computer|pc)(?:[^a-z]|$)")
HUB_NAME = re.compile(r"(?:^|[^a-z])(hub|bridge|homeserver|automation)(?:[^a-z]|$)")


def build_roles(
    network: Network,
    home: Home,
    identity: IdentityCollector,
    content: ContentCollector,
    controls: ControlCollector,
    services: ServiceRows,
    cases: dict[str, Case],
    recorder_id: str | None,
) -> dict[str, tuple[str, ...]]:
    """Roles by device_id, sorted; ``lighting`` is added after ranking."""
    roles: dict[str, set[str]] = {device_id: set() for device_id in network.hosts}
    stated = _stated(network, home, roles)
    for device_id, host in network.hosts.items():
        if host.is_router:
            roles[device_id].add("router")
    for link, address in identity.resolvers:
        party = network.party(Endpoint(link, address, 0))
        if party.is_device and link in network.hosts[party.device_id].links:
            roles[party.device_id].add("resolver")
    if recorder_id is not None:
        roles[recorder_id].add("recorder")
    _by_control(network, controls, cases, roles, stated)
    browsed = _browsed_names(network, content)
    answering = {key[0] for key, row in services.items() if row.answered and key[2] == "tcp"}
    for device_id, host in network.hosts.items():
        if device_id in stated or roles[device_id] & {"router", "hub"}:
            continue
        person = _person(host, browsed.get(device_id, 0), is_candidate=cases[device_id].score >= PERHAPS)
        if person is not None:
            roles[device_id].add(person)
        elif device_id in answering and not roles[device_id] and cases[device_id].score < PERHAPS:
            roles[device_id].add("server")
    return {device_id: tuple(sorted(found)) for device_id, found in roles.items()}


def _stated(network: Network, home: Home, roles: dict[str, set[str]]) -> set[str]:
    stated: set[str] = set()
    for named in home.devices:
        host = network.host_of(named.link_address)
        if host is not None and named.role not in {"unknown", "lighting"}:
            roles[host.device_id].add(named.role)
            stated.add(host.device_id)
        elif host is not None and named.role == "lighting":
            stated.add(host.device_id)
    return stated


def _by_control(
    network: Network,
    controls: ControlCollector,
    cases: dict[str, Case],
    roles: dict[str, set[str]],
    stated: set[str],
) -> None:
    """Brokers answer logins; a hub serves a light, or drives one and is served itself."""
    drives: set[str] = set()
    serves: set[str] = set()
    tells: set[str] = set()
    for key in controls.rows.rows:
        client, server = network.party(key.client), network.party(key.server)
        if not (client.is_device and server.is_device):
            continue
        if key.protocol == "mqtt" and key.operation == "connect" and key.answered is not None:
            roles[server.device_id].add("broker")
        if key.protocol == "mqtt":
            continue
        if key.effect == "light" and cases[server.device_id].score >= PERHAPS:
            drives.add(client.device_id)
        if cases[client.device_id].score >= PERHAPS and client.device_id != server.device_id:
            serves.add(server.device_id)
            if tells_of_others(key.operation):
                tells.add(server.device_id)
    for end, lights in controls.collections.items():
        party = network.party(end)
        if party.is_device and len(lights) > 1:
            tells.add(party.device_id)
    for device_id, host in network.hosts.items():
        if device_id in stated or host.is_router:
            continue
        named = any(HUB_NAME.search(name.lower()) for name in host.names)
        # A light that polls another light is served by it too; a hub is told by driving others besides, or by
        # what it is asked: the state of one light among numbered ones, or of several.
        is_asked = device_id in serves and (device_id in drives or cases[device_id].score < PERHAPS)
        if named or is_asked or device_id in tells:
            roles[device_id].add("hub")


def _browsed_names(network: Network, content: ContentCollector) -> dict[str, int]:
    names: dict[str, set[str]] = {}
    for conversation, row in content.rows.items():
        if not row.names_by_port or row.server_link is None:
            continue
        server = network.party(Endpoint(row.server_link, conversation.server, conversation.port))
        client = network.party(Endpoint(conversation.client_link, conversation.client, 0))
        if client.is_device and server.kind == OUTSIDE:
            names.setdefault(client.device_id, set()).update(said.name for said in row.names_by_port.values())
    return {device_id: len(found) for device_id, found in names.items()}


def _person(host: Host, browsed: int, *, is_candidate: bool) -> str | None:
    """``phone`` or ``computer`` for a device that a person uses, else None."""
    names = [name.lower() for name in host.names]
    if any(PHONE_NAME.search(name) for name in names):
        return "phone"
    if any(COMPUTER_NAME.search(name) for name in names):
        return "computer"
    if browsed >= MIN_BROWSED_NAMES and not is_candidate:
        private = any(is_locally_administered(link) for link in host.links)
        return "phone" if private else "computer"
    return None
