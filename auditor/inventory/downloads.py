"""
Large or firmware-like answers that a device fetched.

Standards: RFC 9110 section 8.3 (Content-Type) and 8.6 (Content-Length).

Whether what was fetched is signed cannot be seen (scenario S19).
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from auditor.addresses import format_address
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.flows.flow import Endpoint, FlowKey
from auditor.inventory.effects import FIRMWARE_WORDS, words_of
from auditor.inventory.facts import DownloadFact, Fact
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.sighting import Sighting, Table

MIN_LARGE_OCTETS = 100_000  # smaller than any firmware image with a network stack (common practice)
NO_CONTENT = 204  # RFC 9110 15.3.5; the usual answer to "is the internet there?" (common practice)
MAX_PENDING = 64  # requests of one connection that wait for an answer
MAX_DOWNLOADS = 8192  # rows; a device fetches a few files
FIRMWARE_SUFFIXES = (".bin", ".img", ".fw", ".ota", ".hex", ".uf2", ".gbl", ".bin.gz")
FIRMWARE_TYPES = frozenset({"application/octet-stream", "application/macbinary", "application/x-binary"})


class DownloadKey(NamedTuple):
    """One kind of thing fetched from one host."""

    client: Endpoint
    server: Endpoint
    host: str | None
    media_type: str | None
    looks_like_firmware: bool


class DownloadRow(Sighting):
    """The largest one is kept."""

    __slots__ = ("octets",)

    def __init__(self) -> None:
        super().__init__()
        self.octets: int | None = None


class DownloadCollector:
    """Pairs requests with the answers that carry much."""

    def __init__(self) -> None:
        self.rows: Table[DownloadKey, DownloadRow] = Table(DownloadRow, MAX_DOWNLOADS)
        self.probes: Table[tuple[Endpoint, Endpoint], Sighting] = Table(Sighting, MAX_DOWNLOADS)
        self._asked: Table[FlowKey, deque[tuple[HttpRequest, Envelope]]] = Table(
            lambda: deque(maxlen=MAX_PENDING)
        )

    def on_request(self, envelope: Envelope, request: HttpRequest) -> None:
        """Remember what was asked for."""
        self._asked.at(envelope.flow).append((request, envelope))

    def on_response(self, envelope: Envelope, response: HttpResponse) -> None:
        """Keep an answer that is large or looks like firmware."""
        waiting = self._asked.rows.get(envelope.flow)
        if not waiting:
            return
        request, asked = waiting.popleft()
        if not waiting:
            del self._asked.rows[envelope.flow]
        octets = response.content_length
        flow = envelope.flow
        if response.status == NO_CONTENT and request.method in {"GET", "HEAD"}:
            place = (flow.initiator._replace(port=0), flow.responder)
            self.probes.at(place).add(asked.timestamp_ns, asked.packet)
        if request.method != "GET" or not 200 <= response.status < 300:
            return
        path = request.path.lower()
        firmware = path.endswith(FIRMWARE_SUFFIXES) or (
            response.content_type in FIRMWARE_TYPES and bool(words_of(path.split("/")) & FIRMWARE_WORDS)
        )
        large = octets is not None and octets >= MIN_LARGE_OCTETS
        if not firmware and not large:
            return
        key = DownloadKey(
            flow.initiator._replace(port=0), flow.responder, request.host, response.content_type,
            firmware or (large and response.content_type in FIRMWARE_TYPES),
        )  # fmt: skip
        row = self.rows.at(key)
        row.add(asked.timestamp_ns, asked.packet)
        row.octets = max(row.octets or 0, octets) if octets is not None else row.octets

    def purposes(self, network: Network) -> dict[tuple[str, str], str]:
        """What contacts were for: (device_id, address as text) to ``update`` or ``connectivity-probe``."""
        purposes: dict[tuple[str, str], str] = {}
        for client, server in self.probes.rows:
            purposes[network.party(client).device_id, format_address(server.address)] = "connectivity-probe"
        for key in self.rows.rows:
            if key.looks_like_firmware:
                purposes[network.party(key.client).device_id, format_address(key.server.address)] = "update"
        return purposes

    def facts(self, network: Network) -> list[Fact]:
        """One fact for each device, host and kind; HTTP is readable, so all of them were."""
        facts: list[Fact] = []
        for key, row in self.rows.items():
            client, server = network.party(key.client), network.party(key.server)
            if client.is_device:
                facts.append(
                    DownloadFact(
                        device_id=client.device_id,
                        evidence=row.evidence,
                        first_seen_ns=row.first_ns,
                        last_seen_ns=row.last_ns,
                        host=key.host,
                        confidentiality="clear",
                        media_type=key.media_type,
                        octets=row.octets,
                        looks_like_firmware=key.looks_like_firmware,
                        peer_is_outside=server.kind == OUTSIDE,
                    )
                )
        return facts
