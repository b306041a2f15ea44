"""
Ways in from the internet that devices ask of the router, and what the router says.

Standards: RFC 6886 sections 3.3 to 3.5 (NAT-PMP), RFC 6887 sections 7.4 and 11 (PCP), UPnP WANIPConnection and
           RFC 6970 section 5 (IGD), UPnP Device Architecture 2.0 section 1.3 (search; from memory).

A mapping is granted when the answer says so, never by the request alone; a
search for a router opens nothing (scenario S20).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import NamedTuple

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.natpmp import NatPmpMessage
from auditor.dissect.protocols.pcp import PcpMessage
from auditor.dissect.protocols.ssdp import SsdpMessage
from auditor.dissect.syntax.soap import SoapMessage
from auditor.flows.flow import Endpoint, FlowKey
from auditor.inventory.facts import Fact, PortMappingFact
from auditor.inventory.network import Network
from auditor.inventory.sighting import Sighting, Table

MAX_MAPPINGS = 4096  # asked for in one recording; a device has a few
MAX_PENDING = 4096  # requests of all flows that wait for an answer
SEARCHED_TYPES = (":InternetGatewayDevice:", ":WANIPConnection:", ":WANPPPConnection:", ":WANIPv6FirewallControl:")
"""Parts of the search targets of routers that map ports (RFC 6970 section 3)."""
TAKES_BACK = frozenset({"DeletePortMapping"})


class MappingKey(NamedTuple):
    """One door, asked for by one host."""

    client: Endpoint
    client_address: Address | None
    """To which host the port leads; None: the one that asks."""
    protocol: str
    transport: str | None
    internal_port: int | None


class MappingRow(Sighting):
    """What was asked and answered."""

    __slots__ = ("external_port", "granted", "lifetime_seconds", "refused", "withdrawn")

    def __init__(self) -> None:
        super().__init__()
        self.external_port: int | None = None
        self.lifetime_seconds: int | None = None
        self.granted = False
        self.refused = False
        self.withdrawn = False


class PortMappingCollector:
    """One row for each door; one for each host that searched."""

    def __init__(self) -> None:
        self.rows: Table[MappingKey, MappingRow] = Table(MappingRow, MAX_MAPPINGS)
        self.searches: Table[tuple[LinkAddress, Address], Sighting] = Table(Sighting, MAX_MAPPINGS)
        self._asked: dict[FlowKey, MappingRow] = {}
        self._doors: dict[tuple[Endpoint, str | None, int], MappingRow] = {}

    def on_ssdp(self, envelope: Envelope, message: SsdpMessage) -> None:
        """A search for a router that maps ports."""
        if message.kind == "search" and any(part in (message.target or "") for part in SEARCHED_TYPES):
            source = envelope.source
            self.searches.at((source.link_address, source.address)).add(envelope.timestamp_ns, envelope.packet)

    def on_natpmp(self, envelope: Envelope, message: NatPmpMessage) -> None:
        """A request for a mapping or its answer (RFC 6886 3.3); the internal port pairs them."""
        if message.kind != "mapping":
            return
        client = (envelope.destination if message.is_response else envelope.source)._replace(port=0)
        row = self.rows.at(MappingKey(client, None, "nat-pmp", message.protocol, message.internal_port))
        if not message.is_response:
            self._request(row, envelope, message.external_port, message.lifetime_seconds)
        elif message.result_code:
            row.refused = True
        elif message.is_granted:
            self._grant(row, message.external_port, message.lifetime_seconds)

    def on_pcp(self, envelope: Envelope, message: PcpMessage) -> None:
        """MAP asks for calls to come in; PEER keeps an own conversation open and is no way in (RFC 6887 12)."""
        if message.kind != "map":
            return
        client = (envelope.destination if message.is_response else envelope.source)._replace(port=0)
        transport = None if message.protocol == "any" else message.protocol
        inner = message.internal_address if message.is_for_third_party else None
        row = self.rows.at(MappingKey(client, inner, "pcp", transport, message.internal_port))
        if not message.is_response:
            self._request(row, envelope, message.external_port, message.lifetime_seconds)
        elif message.result_code:
            row.refused = True
        elif message.is_granted:
            self._grant(row, message.external_port, message.lifetime_seconds)

    def on_request(self, envelope: Envelope, request: HttpRequest) -> None:
        """An action of UPnP that opens or closes a way in."""
        soap = request.soap
        if soap is None or not soap.changes_mappings or soap.is_response:
            return
        client = envelope.flow.initiator._replace(port=0)
        row = self._action(client, soap, envelope)
        if row is not None:
            if len(self._asked) >= MAX_PENDING:
                self._asked.clear()
            self._asked[envelope.flow] = row

    def on_response(self, envelope: Envelope, response: HttpResponse) -> None:
        """Its answer: an error code or a status of failure refuses (UPnP Device Architecture 2.0 3.2)."""
        row = self._asked.pop(envelope.flow, None)
        if row is None or row.withdrawn:
            return
        soap = response.soap
        if response.status >= 400 or (soap is not None and soap.error_code is not None):
            row.refused = True
        elif 200 <= response.status < 300:
            given = soap.mapping.external_port if soap is not None and soap.mapping is not None else None
            self._grant(row, given or row.external_port, row.lifetime_seconds)

    def _action(self, client: Endpoint, soap: SoapMessage, envelope: Envelope) -> MappingRow | None:
        asked = soap.mapping
        transport = asked.protocol if asked is not None else None
        external = asked.external_port if asked is not None else None
        if soap.action in TAKES_BACK:
            row = self._doors.get((client, transport, external or 0))
            if row is not None:
                row.withdrawn = True
            return row
        inner = asked.internal_client if asked is not None else None
        internal = asked.internal_port if asked is not None else None
        row = self.rows.at(MappingKey(client, inner, "igd", transport, internal))
        self._request(row, envelope, external, asked.lease_seconds if asked is not None else None)
        row.withdrawn = False
        if external and len(self._doors) < MAX_MAPPINGS:
            self._doors[client, transport, external] = row
        return row

    @staticmethod
    def _request(row: MappingRow, envelope: Envelope, external: int | None, lifetime: int | None) -> None:
        row.add(envelope.timestamp_ns, envelope.packet)
        if lifetime == 0 and envelope.protocol != "http":
            row.withdrawn = True  # RFC 6886 3.4, RFC 6887 15.1
            return
        row.withdrawn = False
        if not row.granted:
            row.external_port = external or row.external_port
            row.lifetime_seconds = lifetime

    @staticmethod
    def _grant(row: MappingRow, external: int | None, lifetime: int | None) -> None:
        row.granted = True
        row.external_port = external
        row.lifetime_seconds = lifetime

    def facts(
        self, network: Network, roles: Mapping[str, tuple[str, ...]], visible: Mapping[str, bool]
    ) -> list[Fact]:
        """One fact for each door and host, and one for each device that searched and was not seen to ask."""
        facts: list[Fact] = []
        asked: set[str] = set()
        for key, row in self.rows.items():
            by = network.party(key.client)
            inner = network.at_address(key.client_address) if key.client_address is not None else None
            owner = inner.device_id if inner is not None else by.device_id
            if not owner or not by.device_id or not row.count:
                continue
            if key.protocol == "igd":
                asked.add(by.device_id)
            state = "granted" if row.granted else ("refused" if row.refused else "requested")
            door = _fact(owner, by.device_id, roles, key.protocol, state, row, visible)
            facts.append(
                replace(
                    door,
                    transport=key.transport,
                    external_port=row.external_port,
                    internal_port=key.internal_port,
                    lifetime_seconds=row.lifetime_seconds,
                    withdrawn=row.withdrawn,
                )
            )
        for (link, address), seen in self.searches.items():
            device_id = network.party(Endpoint(link, address, 0)).device_id
            if device_id and device_id not in asked:
                facts.append(_fact(device_id, device_id, roles, "igd", "searched", seen, visible))
        return facts


def _fact(
    device_id: str,
    by_id: str,
    roles: Mapping[str, tuple[str, ...]],
    protocol: str,
    state: str,
    seen: Sighting,
    visible: Mapping[str, bool],
) -> PortMappingFact:
    return PortMappingFact(
        device_id=device_id,
        evidence=seen.evidence,
        first_seen_ns=seen.first_ns,
        last_seen_ns=seen.last_ns,
        by_id=by_id,
        by_role=roles.get(by_id, ()),
        protocol=protocol,
        state=state,
        transport=None,
        external_port=None,
        internal_port=None,
        lifetime_seconds=None,
        requests=seen.count,
        repeated=seen.count > 1,
        withdrawn=False,
        request_visible=visible.get(by_id, False),
    )
