"""
What devices say of themselves to everybody, by mDNS and SSDP.

Standards: RFC 6762 section 10.1 (goodbye), RFC 6763 sections 4 and 6 (service instances, TXT keys),
           UPnP Device Architecture 2.0 section 1 (NOTIFY, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from auditor.addresses import Address, LinkAddress, format_link
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.ssdp import SsdpMessage
from auditor.dissect.syntax.dns_message import DnsMessage, ResourceRecord
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.flows.flow import Endpoint
from auditor.inventory.facts import AnnouncementFact, Fact
from auditor.inventory.identity import service_name_of
from auditor.inventory.network import Host, Network
from auditor.inventory.secrets import SecretCollector
from auditor.inventory.sighting import Sighting, Table

TYPE_PTR, TYPE_TXT, TYPE_SRV = 12, 16, 33  # RFC 1035 3.2.2, RFC 2782
MAX_ANNOUNCEMENTS = 8192  # a home announces tens; more is a flood
MAX_TEXT_KEYS = 64  # of one service; RFC 6763 6.2 asks for 1300 octets in all
MAX_READ_MEMO = 4096  # messages remembered as already read; repeated announcements are the rule

VERSION_KEYS = frozenset(
    ["fv", "fw", "srcvers", "version", "ver", "vers", "firmware", "fwversion", "sw", "swversion", "build"]
)
"""TXT keys that by registration or name hold a version (IANA service name registry; common practice)."""
WINDOW_KEY = "cm"  # of a commissionable device: 0 while it does not wait (``commissioning`` says where from)
MAX_VERSION_CHARACTERS = 40  # of a version: longer than any sensible one, short enough for a line
_VERSION_TOKEN = re.compile(r"/\d+(\.\d+)+")


class AnnouncementKey(NamedTuple):
    """One service that one source announced."""

    source: LinkAddress
    address: Address
    protocol: str
    service_name: str | None
    instance: str


class AnnouncementRow(Sighting):
    """What was said of the service."""

    __slots__ = ("has_password", "hosts", "port", "texts", "version", "window_open", "withdrawn_ns")

    def __init__(self) -> None:
        super().__init__()
        self.port: int | None = None
        self.texts: dict[str, str | None] = {}
        self.has_password = False
        self.version = False
        self.hosts: dict[str, None] = {}
        self.window_open: bool | None = None
        """Text key CM was ever not 0; None: it was not said."""
        self.withdrawn_ns: int | None = None

    @property
    def announced_version(self) -> str | None:
        """The value of the first text key, by name, that holds a version."""
        said = sorted((key.lower(), text) for key, text in self.texts.items() if text)
        return next((text[:MAX_VERSION_CHARACTERS] for key, text in said if key in VERSION_KEYS), None)

    @property
    def is_withdrawn(self) -> bool:
        """The last message seen was a goodbye."""
        return self.withdrawn_ns is not None and self.withdrawn_ns >= self.last_ns


class AnnouncementCollector:
    """One row for each announced service instance."""

    def __init__(self, secrets: SecretCollector) -> None:
        self._secrets = secrets
        self.rows: Table[AnnouncementKey, AnnouncementRow] = Table(AnnouncementRow, MAX_ANNOUNCEMENTS)
        self.searches: Table[LinkAddress, Sighting] = Table(Sighting)
        self._read: dict[tuple[int, LinkAddress], tuple[DnsMessage, list[AnnouncementRow]]] = {}

    def repeats(self, envelope: Envelope, message: DnsMessage) -> bool:
        """Count a message that the same source sent before; False: it must be read."""
        known = self._read.get((id(message), envelope.source.link_address))
        if known is None or known[0] is not message:
            return False
        for row in known[1]:
            row.add(envelope.timestamp_ns, envelope.packet)
        return True

    def on_multicast_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Read service records out of a response; a question is counted as a search."""
        link = envelope.source.link_address
        if not message.is_response:
            self.searches.at(link).add(envelope.timestamp_ns, envelope.packet)
            return
        rows: dict[AnnouncementKey, AnnouncementRow] = {}
        goodbye = has_secret = False
        for record in (*message.answers, *message.additionals):
            goodbye |= record.time_to_live == 0
            has_secret |= any(text.secret is not None for text in record.text)
            self._read_record(envelope, record, rows)
        for row in rows.values():
            row.add(envelope.timestamp_ns, envelope.packet)
        # A withdrawal depends on its time, and secrets are counted: both are read each time.
        if not goodbye and not has_secret:
            if len(self._read) >= MAX_READ_MEMO:
                self._read.clear()
            self._read[id(message), link] = (message, list(rows.values()))

    def _read_record(
        self, envelope: Envelope, record: ResourceRecord, rows: dict[AnnouncementKey, AnnouncementRow]
    ) -> None:
        if record.record_type not in {TYPE_PTR, TYPE_SRV, TYPE_TXT}:
            return
        instance = (record.target or "") if record.record_type == TYPE_PTR else record.name
        service = service_name_of(record.name)
        if service is None or service_name_of(instance) != service:
            return
        source = envelope.source
        key = AnnouncementKey(source.link_address, source.address, "mdns", service, instance.lower())
        row = rows.setdefault(key, self.rows.at(key))
        if record.time_to_live == 0:
            row.withdrawn_ns = max(row.withdrawn_ns or 0, envelope.timestamp_ns)
        if record.record_type == TYPE_SRV:
            row.port = record.port
            if record.target and len(row.hosts) < MAX_TEXT_KEYS:
                row.hosts[record.target] = None
        for text in record.text[:MAX_TEXT_KEYS]:
            if len(row.texts) < MAX_TEXT_KEYS:
                row.texts[text.key] = text.value
            row.version |= text.key.lower() in VERSION_KEYS
            if text.key.lower() == WINDOW_KEY and text.value is not None:
                row.window_open = text.value.strip() != "0" or bool(row.window_open)
            if text.secret is not None:
                row.has_password = True
                sighted = SightedSecret(kind="password", place="text-key", field=text.key, secret=text.secret)
                self._secrets.sighted(envelope, sighted)

    def on_ssdp(self, envelope: Envelope, message: SsdpMessage) -> None:
        """Note announcements and answers; a search announces nothing."""
        source = envelope.source
        if message.kind == "search":
            self.searches.at(source.link_address).add(envelope.timestamp_ns, envelope.packet)
            return
        key = AnnouncementKey(source.link_address, source.address, "ssdp", None, message.unique_name or "")
        row = self.rows.at(key)
        row.add(envelope.timestamp_ns, envelope.packet)
        row.port = _port_of(message.location) or row.port
        row.version |= message.server is not None and _VERSION_TOKEN.search(message.server) is not None
        if message.unique_name:
            row.texts["usn"] = message.unique_name
        if message.kind == "byebye":
            row.withdrawn_ns = max(row.withdrawn_ns or 0, envelope.timestamp_ns)

    def facts(self, network: Network) -> list[Fact]:
        """One fact for each device and service instance."""
        facts: list[Fact] = []
        named = network.hosts_by_name()
        for key, row in self.rows.items():
            owner = owner_of(key, row, network, named)
            if not owner or not row.count:
                continue
            device = network.hosts[owner]
            said = {text.lower() for text in row.texts.values() if text} | {key.instance}
            facts.append(
                AnnouncementFact(
                    device_id=owner,
                    evidence=row.evidence,
                    first_seen_ns=row.first_ns,
                    last_seen_ns=row.last_ns,
                    protocol=key.protocol,
                    service_name=key.service_name,
                    port=row.port,
                    text_keys=tuple(sorted(row.texts)) if key.protocol == "mdns" else (),
                    discloses_version=row.version,
                    discloses_hardware_address=any(
                        _holds_link(text, link) for text in said for link in device.links
                    ),
                    discloses_password=row.has_password,
                    withdrawn=row.is_withdrawn,
                    relayed=key.source not in device.links if any(key.source) else None,
                    version=row.announced_version if key.protocol == "mdns" else None,
                )
            )
        return facts


def owner_of(key: AnnouncementKey, row: AnnouncementRow, network: Network, named: Mapping[str, Host]) -> str:
    """
    The device that an announcement is of: its host record's, else its sender's; empty where none is known.

    ``named`` maps host names to devices.  A relayed one names the device, not the relay (scenario S37).
    """
    hosts = [named[name] for name in row.hosts if name in named]
    return hosts[0].device_id if hosts else network.party(Endpoint(key.source, key.address, 0)).device_id


def _holds_link(text: str, link: LinkAddress) -> bool:
    spelt = format_link(link)
    return any(form in text for form in (spelt, spelt.replace(":", "-"), spelt.replace(":", "")))


def _port_of(location: str | None) -> int | None:
    """The port of the authority in a location (RFC 3986 3.2.3); 80 where none is written."""
    if not location:
        return None
    authority = location.split("//", 1)[-1].split("/", 1)[0]
    tail = authority.rpartition(":")[2]
    if ":" in authority and tail.isdigit() and len(tail) <= 5 and 0 < int(tail) < 65536:
        return int(tail)
    return 80 if "]" in authority or ":" not in authority else None
