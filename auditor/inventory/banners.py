"""
What services say of themselves to whoever connects: the software's name and version.

Standards: RFC 9110 section 10.2.4 (Server), RFC 4253 section 4.2 (SSH identification), RFC 959 section 5.4 (FTP
           greeting), RFC 7826 section 18.47 (RTSP Server).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.ftp import FtpReply
from auditor.dissect.protocols.http import HttpResponse
from auditor.dissect.protocols.rtsp import RtspResponse
from auditor.dissect.protocols.ssh import SshIdentification
from auditor.flows.flow import Endpoint
from auditor.inventory.facts import AnnouncementFact, Fact
from auditor.inventory.network import Network
from auditor.inventory.sighting import Sighting, Table

MAX_BANNERS = 8192  # services that said something of themselves
VERSION = re.compile(r"(?:^|[^0-9.])[vV]?\d+\.\d+")  # a number with a point: "httpd/1.2", "dropbear_2022.83"


class BannerKey(NamedTuple):
    """One service, and how it said so."""

    server: Endpoint
    protocol: str
    kind: str
    """``banner`` or ``upnp``."""


class BannerCollector:
    """One row for each service that named a version."""

    def __init__(self) -> None:
        self.rows: Table[BannerKey, Sighting] = Table(Sighting, MAX_BANNERS)

    def on_http(self, envelope: Envelope, message: HttpResponse) -> None:
        """The Server field of an answer, and the description of a device (UPnP Device Architecture 2.0 2.3)."""
        self._note(envelope, message.server)
        described = message.description
        if described is not None:
            self._note(envelope, described.model_number, "upnp")

    def on_rtsp(self, envelope: Envelope, message: RtspResponse) -> None:
        """The Server field of an answer."""
        self._note(envelope, message.server)

    def on_ftp(self, envelope: Envelope, message: FtpReply) -> None:
        """The greeting."""
        self._note(envelope, message.text)

    def on_ssh(self, envelope: Envelope, message: SshIdentification) -> None:
        """The identification of the server."""
        if not message.from_client:
            self._note(envelope, message.software)

    def _note(self, envelope: Envelope, text: str | None, kind: str = "banner") -> None:
        if text and VERSION.search(text):
            row = self.rows.at(BannerKey(envelope.flow.responder, envelope.protocol, kind))
            row.add(envelope.timestamp_ns, envelope.packet)

    def facts(self, network: Network) -> list[Fact]:
        """One fact for each device, protocol and port."""
        joined: dict[tuple[str, str, int, str], Sighting] = {}
        for key, row in self.rows.items():
            server = network.party(key.server)
            if server.is_device:
                place = (server.device_id, key.protocol, key.server.port, key.kind)
                joined.setdefault(place, Sighting()).absorb(row)
        return [
            AnnouncementFact(
                device_id=device_id,
                evidence=seen.evidence,
                first_seen_ns=seen.first_ns,
                last_seen_ns=seen.last_ns,
                protocol=kind,
                service_name=protocol,
                port=port,
                text_keys=(),
                discloses_version=True,
                discloses_hardware_address=False,
                discloses_password=False,
                withdrawn=False,
                relayed=False,
            )
            for (device_id, protocol, port, kind), seen in sorted(joined.items())
        ]
