"""All that was collected of one run's messages: what ``build`` fills and ``assembly`` reads."""

from __future__ import annotations

import os
from collections.abc import Sequence

from auditor.dissect.message import Issue
from auditor.home.model import Home
from auditor.inventory.announcements import AnnouncementCollector
from auditor.inventory.banners import BannerCollector
from auditor.inventory.coap_controls import CoapControlCollector
from auditor.inventory.content import ContentCollector
from auditor.inventory.controls import ControlCollector
from auditor.inventory.downloads import DownloadCollector
from auditor.inventory.file_transfers import FileTransferCollector
from auditor.inventory.identity import IdentityCollector
from auditor.inventory.link_names import LinkNameCollector
from auditor.inventory.load import LoadCollector
from auditor.inventory.lookups import LookupCollector
from auditor.inventory.message_controls import MessageControlCollector
from auditor.inventory.names import NameCollector
from auditor.inventory.payload_times import PayloadTimes
from auditor.inventory.plain_logins import PlainLoginCollector
from auditor.inventory.port_mappings import PortMappingCollector
from auditor.inventory.secrets import SecretCollector
from auditor.inventory.sessions import SessionCollector
from auditor.inventory.show_controls import ShowControlCollector
from auditor.inventory.survey import Survey
from auditor.inventory.wireless_networks import WirelessCollector


class Collected:
    """The collectors of one run; ``run_key`` serves secrets' fingerprints and is never written."""

    def __init__(
        self, home: Home | None = None, chosen: Sequence[str] = (), run_key: bytes | None = None
    ) -> None:
        self.home = home if home is not None else Home()
        self.chosen = tuple(chosen)
        self.survey = Survey()
        self.payload_times = PayloadTimes()
        self.identity = IdentityCollector()
        self.content = ContentCollector()
        self.names = NameCollector()
        self.secrets = SecretCollector(run_key if run_key is not None else os.urandom(32))
        self.controls = ControlCollector(self.secrets)
        self.announcements = AnnouncementCollector(self.secrets)
        self.banners = BannerCollector()
        self.load = LoadCollector()
        self.lookups = LookupCollector()
        self.sessions = SessionCollector()
        self.downloads = DownloadCollector()
        self.link_names = LinkNameCollector(self.identity, self.announcements)
        self.wireless = WirelessCollector()
        self.message_controls = MessageControlCollector(self.controls, self.secrets)
        self.coap_controls = CoapControlCollector(self.controls, self.secrets)
        self.show_controls = ShowControlCollector(self.controls, self.secrets)
        self.port_mappings = PortMappingCollector()
        self.file_transfers = FileTransferCollector(self.controls)
        self.plain_logins = PlainLoginCollector(self.secrets)
        self.issues: list[Issue] = []
        self.issues_dropped = 0

    def overflows(self) -> dict[str, int]:
        """How much each bounded table had to leave out, by what it holds."""
        return {
            "announcements": self.announcements.rows.overflow + self.banners.rows.overflow,
            "controls": self.controls.rows.overflow + self.controls.lost_requests,
            "conversations": self.content.rows.overflow,
            "downloads": self.downloads.rows.overflow,
            "encrypted sessions": self.sessions.rows.overflow,
            "hosts": self.identity.hosts.overflow + self.identity.leases.overflow,
            "lighting data": self.load.rows.overflow,
            "name lookups": self.lookups.rows.overflow,
            "names": self.names.answers.overflow,
            "moments of short payloads": self.payload_times.overflow,
            "parts that could not be read": self.issues_dropped,
            "port mappings": self.port_mappings.rows.overflow + self.port_mappings.searches.overflow,
            "wireless networks": self.wireless.rows.overflow,
            "secrets": self.secrets.rows.overflow,
        }
