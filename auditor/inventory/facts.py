"""
The facts that rules read: one class a word of ``about:``.

Every relation between facts is a field that the inventory computed; rules never
join.  ``None`` means that the recording could not show it: unknown, not false.
Fields that rules may name carry no marker; those in ``NOT_FOR_RULES`` and all
``tuple[PacketReference, ...]`` are evidence.  A rule writes ``from.role`` for a
field called ``from_role`` where the class lists ``from`` in ``PEERS``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from auditor.flows.flow import Period
from auditor.inventory.change_fact import ConversationChangeFact as ConversationChangeFact
from auditor.inventory.fact_base import Fact as Fact
from auditor.value_class import value_class

MAX_EVIDENCE = 8  # packets named by one fact: enough to look up, few enough to print


@value_class
class DeviceFact(Fact):
    """``device``: one device as a whole."""

    roles: tuple[str, ...]
    locally_administered: bool
    """The U/L bit: most likely a private address of a phone or computer."""
    globally_addressed: bool | None
    """Has an IPv6 address that is valid on the whole internet; None: no IPv6 seen of it at all is False,
    not None; None only where addresses could not be seen."""
    address_reveals_hardware: bool
    """An IPv6 interface identifier is built from the link address (RFC 4291 appendix A)."""
    behind_repeater: bool
    """Shares its link address with other devices and is told apart by address and name."""


@value_class
class ServiceFact(Fact):
    """``service``: something that listens, answered or was announced."""

    family: str
    """``ipv4`` or ``ipv6``."""
    transport: str
    port: int
    application_protocol: str | None
    """Decided by octets; for an announced service that nobody contacted: None."""
    announced_as: str | None
    """Service name of the announcement (RFC 6763), for instance ``http``."""
    state: str
    """``answered``, ``refused``, ``silent``, ``announced``."""
    confidentiality: str
    """``clear``, ``tls``, ``dtls``, ``quic``, ``unknown``."""
    reached_from: tuple[str, ...]
    """``same-segment``, ``other-segment``, ``internet``: from where it was answered."""
    used: bool | None
    """Somebody had a conversation with it (not the recorder); None: unicast could not be seen."""


@value_class
class AnnouncementFact(Fact):
    """``announcement``: what a device said of itself to everybody, or to whoever asks without a login."""

    protocol: str
    """``mdns``, ``ssdp``, ``ws-discovery``, ``upnp`` (a description) or ``banner`` (a service's greeting)."""
    service_name: str | None
    """Without underscores: ``http``, ``hap`` …"""
    port: int | None
    text_keys: tuple[str, ...]
    discloses_version: bool
    discloses_hardware_address: bool
    discloses_password: bool
    withdrawn: bool
    """The last one seen was a goodbye."""
    relayed: bool | None
    """Came from a link address that is not the device's own."""
    version: str | None = None
    """The version as announced in a text key that holds one; None: none was read."""


@value_class
class RemoteContactFact(Fact):
    """``remote-contact``: a conversation between a device and an address outside the home."""

    initiator: str
    """``device``, ``remote`` or ``unknown``."""
    name: str | None
    name_source: str
    """``dns``, ``tls-sni``, ``quic-sni``, ``http-host``, ``none``."""
    name_is_outer: bool
    family: str
    address: str
    port: int
    transport: str
    application_protocol: str | None
    confidentiality: str
    purpose: str
    """``name-lookup``, ``time``, ``connectivity-probe``, ``update``, ``other``."""
    sent_octets: int
    received_octets: int
    flows: int
    period: Period | None
    outcomes: Mapping[str, int]
    """Flows by outcome."""
    answered: bool
    """At least one flow was answered."""
    answered_with_data: bool
    """At least one flow carried payload from the responder."""
    standing: bool | None
    """A connection lasted more than half of the recording, at least 60 s; None: too short to say."""
    while_idle: bool | None
    """Seen while nobody acted; None: the recording has no idle phase, or nobody noted actions."""
    wished: bool | None
    """The home file wishes for it; None: there is no home file."""
    carries_control: bool | None = None
    """Orders for the light came over it: read in clear text, or by the timing of the user's actions
    (several of several); None: encrypted, or the times of actions are not known."""
    opened_while_idle: bool | None = None
    """A connection was opened, or a datagram exchange begun, while nobody acted; False for one that merely
    stayed open; None as for ``while_idle``."""
    orders_were_read: bool | None = None
    """Orders were readable in it; None: what ``carries_control`` says is known by timing, if at all."""
    order_timing: str = "none seen"
    """By which timing orders are known, in words and with the counts."""


@value_class
class LocalContactFact(Fact):
    """``local-contact``: a conversation that a device opened with another inside the home."""

    PEERS: ClassVar[tuple[str, ...]] = ("peer",)

    peer_id: str
    """A device, ``broadcast``, or ``group:`` and the address."""
    peer_role: tuple[str, ...]
    family: str
    transport: str
    port: int
    application_protocol: str | None
    purpose: str
    """``name-lookup``, ``time``, ``address-configuration``, ``discovery``, ``control``, ``search`` or
    ``other``."""
    flows: int
    period: Period | None
    initiator_known: str
    outcomes: Mapping[str, int]
    answered: bool
    searched_addresses: int | None
    """For ``search``: how many addresses were asked for, by ARP, neighbour discovery or attempts."""
    wished: bool | None


@value_class
class ControlFact(Fact):
    """``control``: somebody read, changed, configured or re-programmed a device."""

    PEERS: ClassVar[tuple[str, ...]] = ("from",)

    from_id: str
    from_role: tuple[str, ...]
    from_segment: str
    """``same-segment``, ``other-segment``, ``internet``."""
    protocol: str
    operation: str
    """Method and path shape, message type …; never a value."""
    effect: str
    """``read``, ``light``, ``configuration``, ``firmware``."""
    reads_configuration: bool
    """The answer disclosed network name, place, broker or account settings."""
    authentication: str
    """``none``, ``presented``, ``accepted``, ``rejected``, ``unknown``."""
    login_by_design: bool
    """False for protocols that have no login at all (E1.31, Art-Net …)."""
    answered: bool | None
    """Accepted with success; False: refused; None: no answer was seen (or the protocol gives none)."""
    confidentiality: str
    open_to_web_pages: bool | None
    """The answer allows any origin; None: no answer, or not HTTP."""
    is_group: bool
    """Sent to a group or broadcast, not to this device alone."""
    count: int
    period: Period | None

    @property
    def is_to_everybody(self) -> bool:
        """Sent to a group whose members are not known: it belongs to its sender and touches everybody."""
        return self.is_group and self.device_id == self.from_id


@value_class
class SecretFact(Fact):
    """``secret``: a secret that was readable; its value is nowhere."""

    kind: str
    """``password``, ``token``, ``user-name``, ``wifi-passphrase``."""
    place: str
    """As ``SightedSecret.place``."""
    field_name: str
    protocol: str
    reach: str
    """``inside``: readable at home; ``outside``: on the way to the internet; ``announced``: to everybody."""
    direction: str
    """``to-device`` or ``from-device``: who could be impersonated."""
    follows_identity: bool | None
    """The value equals or contains the link address, host name or serial seen in this recording."""
    same_on_devices: int
    """How many devices use the same value, this one included; not its partners, who must know it: a client
    that logs in at it, a server that it logs in at."""
    accepted: bool | None
    """The peer accepted it."""
    count: int


@value_class
class NameLookupFact(Fact):
    """``name-lookup``: a device asks one resolver."""

    resolver_address: str
    resolver_is_outside: bool
    offered: bool | None
    """The lease offered this resolver; None: no lease in the recording."""
    encryption: str
    """``none``, ``tls``, ``quic``, ``https``."""
    lookups: int
    failed_lookups: int
    """NXDOMAIN answers."""
    repeats_nonexistent: bool | None
    """The same or random-looking non-existent names at a steady rhythm: a probe, not a fault."""


@value_class
class EncryptedSessionFact(Fact):
    """``encrypted-session``: a negotiated session of TLS, DTLS or QUIC."""

    peer_name: str | None
    port: int
    role: str
    """``client`` or ``server``: this device's."""
    version: str | None
    """``1.0`` to ``1.3``; None: the ServerHello was not recorded."""
    cipher_suite: int | None
    suite_is_weak: bool | None
    certificate_problem: str | None
    """``expired``, ``not-yet-valid``, ``self-signed``, ``name-mismatch``, or None; TLS 1.3 hides it: None."""
    certificate_seen: bool
    peer_is_outside: bool
    count: int
    protocol: str = "tls"
    """``tls``, ``dtls`` or ``quic`` (whose handshake is that of TLS 1.3, RFC 9001)."""


@value_class
class DownloadFact(Fact):
    """``download``: a device fetched something large or firmware-like."""

    host: str | None
    confidentiality: str
    media_type: str | None
    octets: int | None
    looks_like_firmware: bool
    peer_is_outside: bool


@value_class
class GroupLoadFact(Fact):
    """``group-load``: lighting data that a device sends to a group or to many."""

    protocol: str
    universes: int
    frames_per_second: float
    octets_per_second: float
    is_group: bool
    share_of_recording: float
    """Of all octets recorded, 0 to 1."""
    senders_of_same_universe: int
    equal_priority: bool | None
    airtime_least_percent: float | None = None
    """Of the air, were an access point to repeat it at 24 Mbit/s (``airtime``); None: not to a group."""
    airtime_most_percent: float | None = None
    """At 1 Mbit/s; above 100 it does not fit."""


@value_class
class PortMappingFact(Fact):
    """``port-mapping``: a way in from the internet, asked of the router (RFC 6886, RFC 6887, RFC 6970)."""

    PEERS: ClassVar[tuple[str, ...]] = ("by",)

    by_id: str
    """Who asked; the fact belongs to the device to which the port leads."""
    by_role: tuple[str, ...]
    protocol: str
    """``igd``, ``nat-pmp`` or ``pcp``."""
    state: str
    """``granted``, ``refused``, ``requested`` (no answer seen), ``searched`` (no request was seen)."""
    transport: str | None
    """None: all of them, or not said."""
    external_port: int | None
    """As granted, else as suggested."""
    internal_port: int | None
    lifetime_seconds: int | None
    """As granted, else as asked for; 0: without end (UPnP)."""
    lifetime: str
    """The same in words."""
    requests: int
    repeated: bool
    """Asked for more than once in this recording."""
    withdrawn: bool
    """The last request seen took it back."""
    request_visible: bool
    """A request could have been seen: the device's unicast was in the recording."""


@value_class
class WirelessNetworkFact(Fact):
    """``wireless-network``: one that a device offers or joins, from management frames (IEEE 802.11)."""

    NOT_FOR_RULES: ClassVar[frozenset[str]] = Fact.NOT_FOR_RULES | {"ssid"}

    ssid: str | None
    """The network's name: private, no rule and no sentence may hold it."""
    part: str
    """``access-point``, ``station`` or ``unknown``: what the device was in it."""
    is_open: bool | None
    """Neither RSN nor WPA element, privacy bit clear; None: no management frame of it was recorded."""
    is_set_up_network: bool | None
    """The device itself offers it, as lights do before they know the home's network (common practice)."""
    security: tuple[str, ...]
    """``open``, ``wep``, ``wpa``, ``wpa2``, ``wpa3``, ``owe``, ``rsn`` (others)."""
    stations: int
    """Different stations seen in it, the access point not counted."""


@value_class
class CommissioningFact(Fact):
    """``commissioning``: a device announces that it can be taken into a home (RFC 6763 names)."""

    kind: str
    """``commissionable`` (a device that waits) or ``commissioner`` (one that takes in)."""
    window_open: bool | None
    """Text key CM is not 0; None: the announcement did not say."""
    withdrawn: bool
    """The last one seen was a goodbye: the window was closed within the recording."""
    count: int


@value_class
class SeparationFact(Fact):
    """``separation``: with whom a device shares its network segment."""

    shares_segment: bool | None
    """Computers, servers or phones are in the same segment; None: its segment, or what its neighbours are,
    was not told."""
    shares_gateway: bool | None
    """They use the same router; None: no router was seen."""
    neighbour_roles: tuple[str, ...]
    """Roles of the devices in its segment."""
    neighbours: int
    """Devices in its segment, the router not counted."""
    wished: bool
    """The home file wishes for separation."""


FACT_CLASSES: Mapping[str, type[Fact]] = {
    "device": DeviceFact,
    "service": ServiceFact,
    "announcement": AnnouncementFact,
    "remote-contact": RemoteContactFact,
    "local-contact": LocalContactFact,
    "control": ControlFact,
    "secret": SecretFact,
    "name-lookup": NameLookupFact,
    "encrypted-session": EncryptedSessionFact,
    "download": DownloadFact,
    "group-load": GroupLoadFact,
    "port-mapping": PortMappingFact,
    "wireless-network": WirelessNetworkFact,
    "commissioning": CommissioningFact,
    "separation": SeparationFact,
    "conversation-change": ConversationChangeFact,
}
"""The words of ``about:`` and the classes behind them."""

COMPARISON_FACTS = frozenset({"conversation-change"})
"""Known only where two recordings are compared: an audit's inventory has no key for them, and asks no rule
about them."""
