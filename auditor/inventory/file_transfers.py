"""
Files sent and fetched by TFTP, which has no login at all.

Standard: RFC 1350 section 4 (the server answers from a port of its own to the port of the request), section 5
          (read and write requests).
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.addresses import Address, family_of
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.tftp import TftpRequest
from auditor.flows.flow import Endpoint
from auditor.inventory.content import ContentCollector, conversation_of
from auditor.inventory.controls import ControlCollector
from auditor.inventory.downloads import FIRMWARE_SUFFIXES
from auditor.inventory.network import Network
from auditor.inventory.services import Oriented, ServiceRow, ServiceRows
from auditor.packets.batch import PROTOCOL_UDP

MAX_TRANSFERS = 4096  # requests whose answer is looked for


class FileTransferCollector:
    """Requests, and what a write does."""

    def __init__(self, controls: ControlCollector) -> None:
        self._controls = controls
        self.requests: dict[tuple[Address, int, Address], Envelope] = {}
        """By the client's address and port and the server's address."""

    def on_tftp(self, envelope: Envelope, message: TftpRequest) -> None:
        """A write is an order: software by its name, else settings.  Its answer is another flow."""
        client, server = envelope.source, envelope.destination
        if len(self.requests) < MAX_TRANSFERS:
            self.requests[client.address, client.port, server.address] = envelope
        if message.is_write:
            is_firmware = message.file_name.lower().endswith(FIRMWARE_SUFFIXES)
            effect = "firmware" if is_firmware else "configuration"
            row = self._controls.note(envelope, "write", effect, "none", answered=None)
            row.login_by_design = False

    def note_answers(
        self, rows: ServiceRows, flows: Iterable[Oriented], network: Network, contents: ContentCollector
    ) -> None:
        """A service that answered a request from a port of its own is answered, though its port is silent."""
        if not self.requests:
            return
        for oriented in flows:
            flow = oriented.flow
            if flow.key.protocol != PROTOCOL_UDP:
                continue
            # Both ports are ephemeral: which end counts as the one that began hangs on which number is lower.
            ends = (
                (flow.initiator, flow.responder, flow.packets_sent),
                (flow.responder, flow.initiator, flow.packets_received),
            )
            for server, client, packets in ends:
                request = self.requests.get((client.address, client.port, server.address))
                if request is not None and packets and server.port != request.destination.port:
                    self._answer(rows, request, server, network, contents)

    @staticmethod
    def _answer(
        rows: ServiceRows,
        request: Envelope,
        server: Endpoint,
        network: Network,
        contents: ContentCollector,
    ) -> None:
        party, client = network.party(server), network.party(request.source)
        if not party.is_device:
            return
        key = (party.device_id, family_of(server.address), "udp", request.destination.port)
        row = rows.setdefault(key, ServiceRow())
        row.seen.add(request.timestamp_ns, request.packet)
        row.answered = True
        row.content = contents.rows.rows.get(conversation_of(request.flow)) or row.content
        row.reached.add(client.segment)
        if client.device_id:
            row.users.add(client.device_id)
        else:
            row.used = True
