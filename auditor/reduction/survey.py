"""
What a copy must keep and what it must not, found by one audit and one reading of all messages.

The audit says which devices are chosen and which packets its findings name; the
messages say where secrets stand, and in which conversations a rule reads anything.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote_from_bytes

from auditor.addresses import Address, LinkAddress, interface_identifier_link, parse_address, parse_link
from auditor.dissect.message import Envelope, Issue
from auditor.dissect.protocols.dhcp import DhcpMessage
from auditor.dissect.syntax.dns_message import DnsMessage, ResourceRecord
from auditor.flows.flow import Endpoint, Flow, PacketReference
from auditor.inventory.secrets import link_spellings
from auditor.secret import Secret

MAX_SECRET_VALUES = 8192
"""As many as the inventory keeps apart (``auditor.inventory.secrets.MAX_SECRETS``)."""
MAX_READ_CONVERSATIONS = 65_536
"""Conversations of which payload may stay; of further ones only headers do."""
MAX_OTHER_ENDS = 16_384
"""Addresses of others that are looked for inside payload; with more of them no payload stays."""
MAX_LEASE_PACKETS = 4096
"""More say no more: a lease is renewed after half its time (RFC 2131 section 4.4.5)."""
MAX_DEPTH = 6  # of values inside a message; ours are three deep

HOME_WORDS = frozenset(
    {
        "light",
        "lights",
        "lamp",
        "hub",
        "phone",
        "computer",
        "router",
        "server",
        "broker",
        "http",
        "local",
        "home",
        "com",
        "www",
    }
)
"""Host names that name nobody; replacing them would tear protocols apart."""

_HOME_DOMAINS = (
    ".local",
    ".lan",
    ".home",
    ".home.arpa",
    ".internal",
)  # RFC 6762 3, RFC 8375, common practice
_REVERSE_DOMAINS = (".in-addr.arpa", ".ip6.arpa")  # RFC 1035 3.5, RFC 3596 2.5

ENCODED_PROTOCOLS = frozenset({"websocket", "quic", "http2"})
"""Whose payload is masked, encrypted or compressed on the way: values cannot be overwritten there."""

SHOW_PROTOCOLS = frozenset({"e131", "artnet", "ddp", "efcp", "osc"})
"""Levels of light: of these the packets that a finding names keep their payload, whoever sent them."""

IDENTITY_PROTOCOLS = frozenset(
    {"bootps", "dhcpv6", "domain", "mdns", "ssdp", "llmnr", "netbios-ns", "ws-discovery"}
)
"""Who a device is and what its contacts are called: findings hang on it without naming these packets."""

Conversation = frozenset[tuple[bytes, int]]
"""Two ends, whoever opened it."""


@dataclass(slots=True, kw_only=True)
class Survey:
    """What is known before the first packet is copied."""

    links: set[LinkAddress] = field(default_factory=set)
    """Of the chosen devices."""
    addresses: set[Address] = field(default_factory=set)
    finding_packets: set[PacketReference] = field(default_factory=set)
    conversations: dict[Conversation, set[str]] = field(default_factory=dict)
    """Those with a chosen device in which something was read, and by which protocols."""
    needed: set[Conversation] = field(default_factory=set)
    """Those that a finding names, or that say who somebody is: payload of all others goes."""
    cut: set[PacketReference] = field(default_factory=set)
    """Packets whose payload goes in any case."""
    leases: set[PacketReference] = field(default_factory=set)
    """Packets in which a chosen device got its address."""
    values: set[bytes] = field(default_factory=set, repr=False)
    """Secrets and words that name others, as they may stand in a payload."""
    spared: set[bytes] = field(default_factory=set)
    """Names of the chosen devices and of whom they contact, and passwords that are an address of theirs: the
    copy holds them anyway, and findings hang on them."""
    other_links: set[LinkAddress] = field(default_factory=set, repr=False)
    other_addresses: set[Address] = field(default_factory=set, repr=False)
    is_full: bool = False
    """A bound above bit: no payload may stay."""

    def is_chosen(self, end: Endpoint) -> bool:
        """Whether an end belongs to a chosen device."""
        return end.link_address in self.links or end.address in self.addresses

    def read_messages(self, items: Iterator[Envelope | Issue]) -> None:
        """Take conversations, secrets and ends from all messages of a recording."""
        for item in items:
            if not isinstance(item, Envelope):
                continue
            self._add_ends(item)
            found = [value for value in secrets_in(item.message) if value.lower() not in self.spared]
            if not (
                self.is_chosen(item.source)
                or self.is_chosen(item.destination)
                or item.protocol in SHOW_PROTOCOLS
                or self._is_own_lease(item)
            ):
                continue
            self._add_conversation(item)
            if isinstance(item.message, DnsMessage):
                self._add_names(item.message, is_own=self.is_chosen(item.source))
            if found and item.protocol in ENCODED_PROTOCOLS:
                self.cut.add(item.packet)
            for value in found:
                self.values |= _forms(value)
            self.is_full |= len(self.values) > 4 * MAX_SECRET_VALUES

    def _is_own_lease(self, item: Envelope) -> bool:
        """A lease is asked for by broadcast: clients share one conversation, messages part them."""
        if not isinstance(item.message, DhcpMessage) or item.message.client_link not in self.links:
            return False
        if len(self.leases) < MAX_LEASE_PACKETS:
            self.leases.add(item.packet)
        return True

    def _add_ends(self, item: Envelope) -> None:
        for end in (item.source, item.destination):
            if not self.is_chosen(end):
                self.other_links.add(end.link_address)
                self.other_addresses.add(end.address)
        self.is_full |= len(self.other_addresses) + len(self.other_links) > MAX_OTHER_ENDS

    def _add_names(self, message: DnsMessage, *, is_own: bool) -> None:
        """Names of the home in answers to a chosen device: somebody else's, but for those it gives itself."""
        answers = (*message.answers, *message.authorities, *message.additionals)
        if is_own and message.is_response:
            for name in names_at_home(answers):
                self.spared |= _forms(name.encode("utf-8", "surrogatepass"))
            return
        asked = [
            ResourceRecord(one.name, one.record_type, one.record_class, False, 0) for one in message.questions
        ]
        for name in names_at_home([*asked, *answers]):
            self.values |= _forms(name.encode("utf-8", "surrogatepass"))

    def _add_conversation(self, item: Envelope) -> None:
        key = conversation_of(
            item.source.address, item.source.port, item.destination.address, item.destination.port
        )
        if key in self.conversations or len(self.conversations) < MAX_READ_CONVERSATIONS:
            self.conversations.setdefault(key, set()).add(item.protocol)
            if item.protocol in IDENTITY_PROTOCOLS or item.packet in self.finding_packets:
                self.needed.add(key)

    def leave_out_the_rest(self, flows: Iterable[Flow]) -> None:
        """Let payload stay only where a finding looks; to be called once everything is read."""
        for flow in flows:  # evidence may be the first packet of a flow, which need not hold a message
            if flow.first_packet in self.finding_packets:
                first, second = flow.initiator, flow.responder
                self.needed.add(conversation_of(first.address, first.port, second.address, second.port))
        self.conversations = {key: told for key, told in self.conversations.items() if key in self.needed}

    def read_document(self, document: Mapping[str, Any]) -> None:
        """Take devices and evidence from a revealed report (schema 1)."""
        places = {row["name"]: place for place, row in enumerate(document["captures"])}
        shown: set[str] = set(HOME_WORDS)
        names: set[str] = set()
        for row in document["devices"]:
            links = {parse_link(link) for link in row["link_addresses"]}
            addresses = {parse_address(address) for address in row["addresses"]}
            words = {word for name in (*row["hostnames"], row["nickname"] or "") for word in _words(name)}
            if row["is_chosen"]:
                # Its own access point often has the same address with the U/L bit inverted (common practice).
                self.links |= links | {LinkAddress(bytes([link[0] ^ 0x02]) + link[1:]) for link in links}
                self.addresses |= addresses
                shown |= words
                own = [spelling.lower() for link in links for spelling in link_spellings(link)]
                self.spared |= {word.encode("utf-8", "surrogatepass") for word in (*own, *words)}
            else:
                inside = map(interface_identifier_link, addresses)
                self.other_links |= {*links, *(link for link in inside if link is not None)}
                self.other_addresses |= addresses
                names |= words
        chosen = {row["device_id"] for row in document["devices"] if row["is_chosen"]}
        for row in document["remote_contacts"]:
            (shown if row["device_id"] in chosen else names).update(_words(row["name"] or "", whole=True))
        for word in shown - HOME_WORDS:
            parts = {word, *word.split(".")} - HOME_WORDS
            self.spared |= {form for one in parts for form in _forms(one.encode("utf-8", "surrogatepass"))}
        self.values |= {
            form
            for word in names - shown
            if len(word) > 2
            for form in _forms(word.encode("utf-8", "surrogatepass"))
        }
        for row in (*document["findings"], *document["accepted"]):
            for item in row["evidence"]:
                self.finding_packets.add(PacketReference(places[item["capture"]], item["packet"]))


def conversation_of(
    source: Address, source_port: int, destination: Address, destination_port: int
) -> Conversation:
    """The two ends, in no order."""
    return frozenset({(bytes(source), source_port), (bytes(destination), destination_port)})


def secrets_in(value: object, depth: int = 0) -> Iterator[bytes]:
    """Every secret that a message holds, wherever it stands in it."""
    if isinstance(value, Secret):
        yield value.octets_to_overwrite()
    elif depth < MAX_DEPTH:
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            for one in dataclasses.fields(value):
                yield from secrets_in(getattr(value, one.name), depth + 1)
        elif isinstance(value, tuple | list | frozenset):
            for part in value:
                yield from secrets_in(part, depth + 1)


def names_at_home(records: Iterable[ResourceRecord]) -> Iterator[str]:
    """Host names and instance names without their domain; targets of reverse lookups wherever they are."""
    for record in records:
        is_reverse = record.name.lower().rstrip(".").endswith(_REVERSE_DOMAINS)
        for name in (record.name, record.target):
            bare = (name or "").lower().rstrip(".")
            if not bare.endswith(_HOME_DOMAINS) and not (is_reverse and name is record.target):
                continue
            labels = bare.split(".")
            service = next((place for place, label in enumerate(labels) if label.startswith("_")), 1)
            first = ".".join(labels[:service])
            if len(first) > 2 and first not in HOME_WORDS and not first.isdigit():
                yield first


def _words(name: str, *, whole: bool = False) -> Iterator[str]:
    """A name and, of host names, the first label: a device is called by it alone too."""
    bare = name.rstrip(".").lower()
    if bare:
        yield bare
        if not whole:
            yield bare.split(".", 1)[0]


def _forms(value: bytes) -> set[bytes]:
    """How a value may stand in a payload: plain, percent-encoded, in JSON, in DNS labels (RFC 1035 3.1)."""
    text = value.decode("utf-8", "replace")
    forms = {value, quote_from_bytes(value).encode(), json.dumps(text)[1:-1].encode()}
    if b"." in value and all(0 < len(label) < 64 for label in value.split(b".")):
        forms.add(b"".join(bytes([len(label)]) + label for label in value.split(b"."))[1:])
    return forms
