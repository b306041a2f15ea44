"""The inventory of a network as one value: devices, facts, coverage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from ipaddress import IPv4Network, IPv6Network
from typing import TYPE_CHECKING, Literal

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Issue
from auditor.flows.flow import PacketReference
from auditor.inventory.facts import Fact
from auditor.value_class import value_class

if TYPE_CHECKING:  # brings numpy, which takes longer to load than all rules do to read and print
    from auditor.capture.record import CaptureFacts, CaptureIssue

Vantage = Literal[
    "on-path",
    "own-access-point",
    "own-host",
    "multicast-only",
    "outside-nat",
    "wireless-encrypted",
    "announcements-only",
    "unknown",
]
Ability = Literal[
    "unicast-with-device",
    "both-directions",
    "joining-seen",
    "control-seen",
    "idle-seen",
    "names-visible",
    "multicast-visible",
    "payload-visible",
]
ABILITIES: tuple[Ability, ...] = (
    "unicast-with-device",
    "both-directions",
    "joining-seen",
    "control-seen",
    "idle-seen",
    "names-visible",
    "multicast-visible",
    "payload-visible",
)


@value_class
class LightingRank:
    """How likely a device is the lighting controller, and why."""

    rank: int
    """1 for the most likely; 0: not a candidate."""
    confidence: Literal["certain", "likely", "perhaps", "none"]
    """``certain`` only where the household said so."""
    reasons: tuple[str, ...]
    """Sentences, each from something in the recording, packet named where there is one."""


@value_class
class Device:
    """
    One device of this network, told apart by more than its link address.

    What may name a person stays out of its text form, so that no log line or
    traceback holds it.
    """

    device_id: str = field(repr=False)
    """Stable within and between runs: from identity (own link address where there is one, else name)."""
    identity: str = field(repr=False)
    """What findings are hashed over: ``link:02:00:…`` or ``name:…``; never an address or a time."""
    nickname: str | None = field(repr=False)
    link_addresses: tuple[LinkAddress, ...] = field(repr=False)
    locally_administered: bool
    addresses: tuple[Address, ...] = field(repr=False)
    hostnames: tuple[str, ...] = field(repr=False)
    """From DHCP and mDNS, as sent."""
    vendor: str | None
    """Registrant of the address prefix: the maker of the network chip or module, a hint only."""
    roles: tuple[str, ...]
    lighting: LightingRank
    abilities: tuple[Ability, ...]
    is_chosen: bool
    first_seen_ns: int
    last_seen_ns: int
    joined: PacketReference | None
    """The packet with which it joined the network, where that was recorded."""
    behind_repeater: bool
    may_belong_to: str | None = field(repr=False)
    """device_id of another one whose second interface it perhaps is (neighbouring or U/L-flipped address)."""
    dhcp_vendor_class: str | None = field(repr=False)


@value_class
class CouldNotSee:
    """A question this recording cannot answer."""

    question: str
    reason: str
    record_next: str


@value_class
class Coverage:
    """What the recording could show, judged before any rule."""

    vantage: Vantage
    capture_vantages: tuple[Vantage, ...]
    """Of each capture, in order."""
    vantage_reasons: tuple[str, ...]
    start_ns: int | None
    end_ns: int | None
    duration_seconds: float
    holes: tuple[tuple[int, int], ...]
    """Spans (start_ns, end_ns) in which nothing was recorded, judged from the recording's own rhythm."""
    abilities: tuple[Ability, ...]
    """Those that hold for every chosen device."""
    missing: Mapping[Ability, CouldNotSee]
    """For each ability that does not hold: why not and what to record."""
    phases: tuple[str, ...]
    """``joining``, ``local-control``, ``local-control-encrypted`` (tried, and not readable),
    ``remote-control``, ``idle``, ``update``, ``reboot``."""
    could_not_see: tuple[CouldNotSee, ...]
    scope: str
    """One sentence that every negative is limited by: from where, how long, which actions."""


@value_class
class CaptureSummary:
    """One capture and what it is good for."""

    facts: CaptureFacts
    vantage: Vantage
    issues: tuple[CaptureIssue, ...]
    """Those of the file and those the packets show (duplicates, holes, bypassed)."""


@value_class
class UnreadConversation:
    """A conversation of a device whose content was not read."""

    peer: str
    """A device_id, or ``the internet``."""
    transport: str
    port: int
    is_encrypted: bool
    """Encrypted; False: in a protocol that no dissector knows, clear or not."""
    is_at_home: bool = True
    """With another device of this network; False: with the outside."""
    is_contradicting: bool = False
    """Segments of a side contradict each other: it was not read further; the protocol may be known."""


IpNetwork = IPv4Network | IPv6Network
PrefixSource = Literal["lease", "advertised", "observed", "assumed"]
"""Subnet mask of a lease; a router's advertisement; hosts that asked for each other by ARP; nothing."""


@value_class
class KnownPrefix:
    """The prefix of a network of this home, and what it is known from."""

    network: IpNetwork
    source: PrefixSource
    vlans: tuple[int, ...] = ()
    """VLANs in which different hosts bear it: two networks with one prefix.  Empty in the usual case."""


@value_class
class Inventory:
    """All facts of one run."""

    captures: tuple[CaptureSummary, ...]
    coverage: Coverage
    devices: tuple[Device, ...]
    """Chosen ones first, then by lighting rank, then by first packet."""
    facts: Mapping[str, tuple[Fact, ...]]
    """By the words of ``about:``; every word of ``FACT_CLASSES`` is a key but for
    those of ``COMPARISON_FACTS``, which a comparison adds."""
    issues: tuple[Issue, ...]
    """What could not be read inside packets, in packet order, bounded."""
    unread_messages: int
    """Payload that no dissector knew, in flows of chosen devices."""
    other_devices: int
    """Devices that are not chosen and no peer of a chosen one: counted, never named."""
    other_names: tuple[str, ...] = field(default=(), repr=False)
    """Names of those, sorted and bounded, for the redaction alone: a file's name may hold one."""
    not_in_recording: tuple[str, ...] = ()
    """What was asked for with ``--device`` and is no device of this recording, as written."""
    unread: Mapping[str, tuple[UnreadConversation, ...]] = field(default_factory=dict)
    """By device_id of chosen devices: conversations whose content was not read."""
    prefixes: tuple[KnownPrefix, ...] = ()
    """Of the networks of this home, IPv4 first."""

    def device(self, device_id: str) -> Device:
        """Look a device up; raises ``KeyError``."""
        for device in self.devices:
            if device.device_id == device_id:
                return device
        raise KeyError(device_id)
