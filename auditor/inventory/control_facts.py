"""
Turns counted requests and lighting frames into control facts.

Standards: RFC 9110, MQTT 3.1.1, ANSI E1.31-2018 (no login by design), RFC 3376 (who listens to a group).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from auditor.addresses import format_address
from auditor.inventory.controls import ControlCollector, ControlKey, ControlRow
from auditor.inventory.facts import ControlFact, Fact
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.load import LoadCollector, LoadKey, is_to_many
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.sighting import Sighting

FROM_OUTSIDE = "outside"
"""Stands as ``from_id`` where the sender is no device of this network."""


class Order(NamedTuple):
    """What makes controls one fact."""

    device_id: str
    from_id: str
    from_segment: str
    protocol: str
    operation: str
    effect: str
    authentication: str
    answered: bool | None
    is_group: bool
    login_by_design: bool


class OrderRow:
    """Sightings of one order."""

    __slots__ = ("open_to_web_pages", "reads_configuration", "seen")

    def __init__(self) -> None:
        self.seen = Sighting()
        self.open_to_web_pages: bool | None = None
        self.reads_configuration = False


def control_facts(
    network: Network,
    roles: Mapping[str, tuple[str, ...]],
    controls: ControlCollector,
    load: LoadCollector,
    identity: IdentityCollector,
) -> list[Fact]:
    """One fact for each device, sender, operation, login and answer."""
    rows: dict[Order, OrderRow] = {}
    for key, row in controls.rows.items():
        order = _order(key, row, network)
        if order is None:
            continue
        joined = rows.setdefault(order, OrderRow())
        joined.seen.absorb(row)
        joined.reads_configuration |= row.reads_configuration
        if row.open_to_web_pages is not None:
            joined.open_to_web_pages = row.open_to_web_pages or bool(joined.open_to_web_pages)
    members = _members(network, identity)
    for load_key, load_row in load.rows.items():
        for order in _show_orders(load_key, network, members):
            rows.setdefault(order, OrderRow()).seen.absorb(load_row)
    return [
        ControlFact(
            device_id=order.device_id,
            evidence=row.seen.evidence,
            first_seen_ns=row.seen.first_ns,
            last_seen_ns=row.seen.last_ns,
            from_id=order.from_id,
            from_role=roles.get(order.from_id, ()),
            from_segment=order.from_segment,
            protocol=order.protocol,
            operation=order.operation,
            effect=order.effect,
            reads_configuration=row.reads_configuration,
            authentication=order.authentication,
            login_by_design=order.login_by_design,
            answered=order.answered,
            confidentiality="clear",  # what is inside TLS gives no rows
            open_to_web_pages=row.open_to_web_pages,
            is_group=order.is_group,
            count=row.seen.count,
            period=row.seen.period,
        )
        for order, row in sorted(rows.items(), key=lambda item: str(item[0]))
    ]


def _order(key: ControlKey, row: ControlRow, network: Network) -> Order | None:
    client, server = network.party(key.client), network.party(key.server)
    to_many = is_to_many(key.server)
    if not server.is_device and not (to_many and client.is_device):
        return None
    return Order(
        device_id=client.device_id if to_many else server.device_id,
        from_id=client.device_id or FROM_OUTSIDE,
        from_segment=client.segment,
        protocol=key.protocol,
        operation=key.operation,
        effect=key.effect,
        authentication=key.authentication,
        answered=key.answered,
        is_group=to_many,
        login_by_design=row.login_by_design,
    )


def _members(network: Network, identity: IdentityCollector) -> dict[bytes, list[str]]:
    """Devices by the group they asked for."""
    members: dict[bytes, list[str]] = {}
    for link, groups in identity.groups.items():
        host = network.host_of(link)
        for group in groups:
            if host is not None:
                members.setdefault(group, []).append(host.device_id)
    return members


def _show_orders(key: LoadKey, network: Network, members: Mapping[bytes, list[str]]) -> Iterable[Order]:
    """Lighting data belongs to the receivers where they are known, else to the sender."""
    sender = network.party(key.sender)
    to_many = is_to_many(key.receiver)
    if to_many:
        receivers = [one for one in members.get(key.receiver.address, ()) if one != sender.device_id]
    else:
        receiver = network.party(key.receiver)
        receivers = [receiver.device_id] if receiver.is_device else []
    if not receivers and not sender.is_device:
        return
    if not receivers and not to_many:
        return
    for device_id in receivers or [sender.device_id]:
        yield Order(
            device_id=device_id,
            from_id=sender.device_id or FROM_OUTSIDE,
            from_segment="internet" if sender.kind == OUTSIDE else sender.segment,
            protocol=key.protocol,
            operation="data",
            effect="light",
            authentication="none",
            answered=None,
            is_group=to_many,
            login_by_design=False,
        )


def carrying_contacts(controls: ControlCollector, network: Network) -> set[tuple[str, str]]:
    """Contacts with the outside over which an order was readable: (device_id, address as text)."""
    return {
        (network.party(key.server).device_id, format_address(key.client.address))
        for key in controls.rows.rows
        if key.effect != "read" and network.party(key.client).kind == OUTSIDE
    }


def controlled_ports(controls: ControlCollector, network: Network) -> set[tuple[str, str, int]]:
    """Conversations in which something was ordered: (client, server, port)."""
    return {
        (network.party(key.client).device_id, network.party(key.server).device_id, key.server.port)
        for key, _ in controls.rows.items()
        if key.effect != "read"
    }
