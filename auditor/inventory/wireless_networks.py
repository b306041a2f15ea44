"""
Wireless networks that devices offer or join, as management frames tell.

Standard: IEEE 802.11-2020 sections 9.3.3 (frames) and 9.4.1.4 (privacy bit); which protection a network asks for is
          told by ``ManagementFrame.protection``.

A network counts as a device's own where its identifier is the device's link
address, the next one, or differs in the U/L bit alone (common practice of
makers).  Of a device that no management frame names nothing is known: not on
the air is not the same as not recorded.
"""

from __future__ import annotations

from collections.abc import Mapping

from auditor.addresses import LinkAddress, is_group_link
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.wireless import ManagementFrame
from auditor.inventory.choose import near_links
from auditor.inventory.facts import Fact, WirelessNetworkFact
from auditor.inventory.network import Host, Network, Pairs, first_packet_of
from auditor.inventory.sighting import Sighting, Table

MAX_CELLS = 1024  # networks in reach of one recording; a block of flats has dozens
MAX_STATIONS = 256  # of one cell
MAX_NAMES = 4  # of one cell: one, and those it had before
ANNOUNCING = frozenset({"beacon", "probe-response"})
JOINING = frozenset({"association-request", "reassociation-request", "authentication"})


class Cell(Sighting):
    """One access point's network."""

    __slots__ = ("names", "protections", "stations")

    def __init__(self) -> None:
        super().__init__()
        self.names: dict[str, None] = {}
        self.protections: dict[str, None] = {}
        self.stations: Table[LinkAddress, Sighting] = Table(Sighting, MAX_STATIONS)


class WirelessCollector:
    """One row for each cell, with those who join it."""

    def __init__(self) -> None:
        self.rows: Table[LinkAddress, Cell] = Table(Cell, MAX_CELLS)

    def on_management(self, envelope: Envelope, message: ManagementFrame) -> None:
        """Announcements tell of the cell, requests to join of a station."""
        if is_group_link(message.basic_service_set):
            return  # a search for any network
        if message.kind in ANNOUNCING and message.transmitter == message.basic_service_set:
            cell = self.rows.at(message.basic_service_set)
            cell.add(envelope.timestamp_ns, envelope.packet)
            self._describe(cell, message)
        elif message.kind in JOINING and message.transmitter != message.basic_service_set:
            cell = self.rows.at(message.basic_service_set)
            cell.stations.at(message.transmitter).add(envelope.timestamp_ns, envelope.packet)
            self._describe(cell, message)

    @staticmethod
    def _describe(cell: Cell, message: ManagementFrame) -> None:
        if message.network_name and len(cell.names) < MAX_NAMES:
            cell.names[message.network_name] = None
        protection = message.protection
        if protection is not None:
            cell.protections.update(dict.fromkeys(protection.split("-")))  # "wpa2-wpa3": both may join

    def facts(self, network: Network, pairs: Pairs) -> list[Fact]:
        """One fact for each device and cell; for a device in none, one that says that nothing was seen."""
        facts: list[Fact] = []
        named: set[str] = set()
        owners = _owners(network)
        for identifier, cell in self.rows.items():
            owner = owners.get(identifier)
            if owner is not None:
                named.add(owner.device_id)
                seen = Sighting()
                for part in (cell, *cell.stations.values()):
                    seen.absorb(part)
                facts.append(_fact(owner, cell, seen, "access-point", is_own=True))
            for link, station in cell.stations.items():
                host = network.host_of(link)
                if host is not None and host is not owner:
                    named.add(host.device_id)
                    facts.append(_fact(host, cell, station, "station", is_own=False))
        for device_id, host in sorted(network.hosts.items()):
            if device_id not in named and not host.is_router and host.first_ns is not None:
                seen = Sighting()
                if (packet := first_packet_of(host, pairs)) is not None:
                    seen.add(host.first_ns, packet)
                facts.append(_fact(host, None, seen, "unknown", is_own=None))
        return facts


def _owners(network: Network) -> Mapping[LinkAddress, Host]:
    """
    Devices by the identifiers that a network of their own would have; the router's networks are the home's.

    An access point without an address is a second interface of its neighbour, if it has one.
    """
    routers = {link for host in network.hosts.values() if host.is_router for link in host.links}
    plain = [host for host in network.hosts.values() if host.own_link and not host.is_router]
    addressed = [host for host in plain if host.addresses]
    owners: dict[LinkAddress, Host] = {link: host for host in addressed for link in host.links}
    nearest = [(rank, near, host) for host in addressed for link in host.links
               for rank, near in enumerate(near_links(link))]  # fmt: skip
    for _, near, host in sorted(nearest, key=lambda one: one[0]):  # two gadgets from one box are near each other
        owners.setdefault(near, host)
    for host in plain:
        for link in host.links:
            owners.setdefault(link, host)
    return {link: host for link, host in owners.items() if link not in routers}


def _fact(
    host: Host, cell: Cell | None, seen: Sighting, part: str, *, is_own: bool | None
) -> WirelessNetworkFact:
    protections = tuple(sorted(cell.protections)) if cell is not None else ()
    return WirelessNetworkFact(
        device_id=host.device_id,
        evidence=seen.evidence,
        first_seen_ns=seen.first_ns or host.first_ns or 0,
        last_seen_ns=seen.last_ns or host.last_ns or 0,
        ssid=next(iter(cell.names), None) if cell is not None else None,
        part=part,
        is_open=None if not protections else "open" in protections,
        is_set_up_network=is_own,
        security=protections,
        stations=len(cell.stations.rows) if cell is not None else 0,
    )
