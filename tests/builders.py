"""
Recordings of the invented household, told as a story: who does what, when, and what one place would record of it.

    recording = Recording(vantage="on-path")
    recording.dhcp_lease(LIGHT)
    recording.at(5)
    recording.http_exchange(PHONE, LIGHT, http_request("GET", "/state", "192.168.77.21"), http_response(200, {"on": True}))
    recording.write(path)
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.household import air, messages, octets
from tests.household.connection import Connection
from tests.household.files import ETHERNET, Captured, pcap, pcapng
from tests.household.home import MAIN, START_NS, Host, Segment
from tests.household.octets import ACK, RST, SYN, is_ipv6
from tests.household.sessions import Transcript

SECOND_NS = 1_000_000_000
LOCAL_DELAY, OUTSIDE_DELAY = 0.0012, 0.011  # seconds one way: wired or wireless home, a country's internet
MDNS = {"ipv4": "224.0.0.251", "ipv6": "ff02::fb"}  # RFC 6762 section 3
SSDP_GROUP = "239.255.255.250"


@dataclass(slots=True)
class Frame:
    """One frame on the wire of the recorded segment."""

    time_ns: int
    octets: bytes
    comment: str | None = None
    link_type: int = ETHERNET


@dataclass(slots=True)
class Recording:
    """A clock, a place and the frames that pass it."""

    vantage: str = "on-path"
    """``on-path``: all of the segment; ``own-host``: the recorder's own and group frames; ``multicast-only``: group
    frames alone."""
    recorder: Host | None = None
    segment: Segment = MAIN
    start_ns: int = START_NS
    now_ns: int = 0
    frames: list[Frame] = field(default_factory=list)
    keep_order: bool = False
    """Write frames as they stand, not by time: a clock that jumps."""
    seed: int = 77
    """Of ports, sequence numbers and identifiers."""
    _random: random.Random = field(init=False)
    _identifications: dict[str, int] = field(default_factory=dict)
    _comment: str | None = None

    def __post_init__(self) -> None:
        self.now_ns = self.start_ns
        self._random = random.Random(self.seed)

    # The clock

    def at(self, seconds: float) -> None:
        """Go to a moment of the recording."""
        self.now_ns = self.start_ns + round(seconds * SECOND_NS)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now_ns += round(seconds * SECOND_NS)

    def note(self, text: str) -> None:
        """Put a comment on the next packet: an action of the user."""
        self._comment = text

    def port(self) -> int:
        """A new ephemeral port (RFC 6335 section 6)."""
        return self._random.randint(49_152, 65_535)

    def number(self, bits: int = 32) -> int:
        """A number for identifiers and sequence numbers, the same in every run."""
        return self._random.getrandbits(bits)

    # Frames and packets

    def frame(self, source: str, target: str, ethertype: int, payload: bytes) -> None:
        """One frame; kept where the place of the recorder would see it."""
        is_group = int(target[:2], 16) & 1
        own = {source, target} & ({self.recorder.link} if self.recorder else set())
        if not is_group and (self.vantage == "multicast-only" or (self.vantage == "own-host" and not own)):
            return
        made = octets.ethernet(source, target, ethertype, payload, self.segment.vlan)
        self.frames.append(Frame(self.now_ns, made, self._comment))
        self._comment = None

    def packet(
        self, sender: Host, receiver: Host, protocol: int, payload: bytes, *, family: str = "ipv4"
    ) -> None:
        """One packet between two hosts, through the router where they are apart."""
        source, target = sender.address(family, receiver), receiver.address(family, sender)
        inside = [self.segment.holds(source), self.segment.holds(target)]
        if not any(inside):
            return
        self._ip(
            sender.link if inside[0] else self.segment.router.link,
            receiver.link if inside[1] else self.segment.router.link,
            octets.ip(source, target, protocol, payload, identification=self._identification(source),
                      hop_limit=sender.hop_limit - (0 if inside[0] else max(1, sender.hops_away))),
        )  # fmt: skip
        self.wait(OUTSIDE_DELAY if max(sender.hops_away, receiver.hops_away) else LOCAL_DELAY)

    def datagram(
        self, sender: Host, receiver: Host, ports: tuple[int, int], payload: bytes, family: str = "ipv4"
    ) -> None:
        """One UDP datagram from ports[0] to ports[1]."""
        ends = sender.address(family, receiver), receiver.address(family, sender)
        self.packet(sender, receiver, octets.UDP, octets.udp(*ends, ports, payload), family=family)

    def group_datagram(self, sender: Host, group: str, ports: tuple[int, int], payload: bytes, *, relayed: bool = False,
                       hop_limit: int = 255) -> None:  # fmt: skip
        """One UDP datagram to a group or the broadcast address; ``relayed``: with the router's link address."""
        source = sender.ipv6 if is_ipv6(group) else sender.ipv4
        target = octets.BROADCAST if group.endswith(".255") else octets.group_link(group)
        made = octets.udp(source, group, ports, payload)
        whole = octets.ip(
            source, group, octets.UDP, made, hop_limit=hop_limit, identification=self._identification(source)
        )
        self._ip(self.segment.router.link if relayed else sender.link, target, whole)
        self.wait(LOCAL_DELAY)

    def _ip(self, source: str, target: str, packet: bytes) -> None:
        self.frame(source, target, octets.IPV6 if packet[0] >> 4 == 6 else octets.IPV4, packet)

    def _identification(self, source: str) -> int:
        self._identifications[source] = (self._identifications.get(source, 0) + 1) & 0xFFFF
        return self._identifications[source]

    def air(self, frame: bytes) -> None:
        """A frame that a second interface in monitor mode hears (pcapng alone)."""
        self.frames.append(Frame(self.now_ns, frame, link_type=air.LINK_TYPE))
        self.wait(0.002)

    # Joining and finding

    def arp(self, sender: Host, target: Host | str, *, answered: bool = True) -> None:
        """Who has an address; a probe (RFC 5227) where a host asks for its own."""
        wanted = target if isinstance(target, str) else target.ipv4
        probes = wanted == sender.ipv4
        asks = (sender.link, "0.0.0.0" if probes else sender.ipv4)
        self.frame(
            sender.link, octets.BROADCAST, octets.ARP, octets.arp(1, asks, ("00:00:00:00:00:00", wanted))
        )
        self.wait(LOCAL_DELAY)
        if isinstance(target, Host) and answered and not probes:
            made = octets.arp(2, (target.link, target.ipv4), (sender.link, sender.ipv4))
            self.frame(target.link, sender.link, octets.ARP, made)
            self.wait(LOCAL_DELAY)

    def dhcp_lease(self, client: Host, *, hostname: str | None = None, vendor_class: str | None = None,
                   resolver: str | None = None, lease_seconds: int = 43_200) -> None:  # fmt: skip
        """The four messages of a new lease (RFC 2131 3.1), answers broadcast, then ARP probe and announcement."""
        router, transaction = self.segment.router, self.number()
        asks: list[tuple[int, bytes]] = [
            (61, b"\x01" + octets.link(client.link)),
            (12, (hostname or client.name).encode()),
        ]
        if vendor_class:
            asks.append((60, vendor_class.encode()))
        asks.append((55, bytes([1, 3, 6, 15, 42])))
        gives = [
            (54, octets.packed(router.ipv4)), (51, struct.pack("!I", lease_seconds)), (1, self.segment.mask),
            (3, octets.packed(router.ipv4)), (6, octets.packed(resolver or router.ipv4)),
        ]  # fmt: skip
        wants = [(50, octets.packed(client.ipv4)), (54, octets.packed(router.ipv4))]
        for kind, options in ((1, asks), (2, gives), (3, wants + asks), (5, gives)):
            from_client = kind in {1, 3}
            body = messages.dhcp(
                kind, transaction, client.link, flags=0x8000, options=options,
                your_address="0.0.0.0" if from_client else client.ipv4, server="0.0.0.0" if from_client else router.ipv4,
            )  # fmt: skip
            source = "0.0.0.0" if from_client else router.ipv4
            made = octets.udp(source, "255.255.255.255", (68, 67) if from_client else (67, 68), body)
            whole = octets.ip(
                source, "255.255.255.255", octets.UDP, made, identification=self._identification(source)
            )
            self._ip(client.link if from_client else router.link, octets.BROADCAST, whole)
            self.wait(0.03)
        self.arp(client, client)
        self.wait(1)
        announced = octets.arp(1, (client.link, client.ipv4), ("00:00:00:00:00:00", client.ipv4))
        self.frame(client.link, octets.BROADCAST, octets.ARP, announced)  # RFC 5227 section 3
        self.wait(0.02)

    def neighbour(self, sender: Host, target: Host) -> None:
        """Who has an IPv6 address; its own: duplicate address detection, unanswered (RFC 4861 4.3, RFC 4862 5.4.2)."""
        is_own = sender is target
        group, source = octets.solicited_node(target.ipv6), "::" if is_own else sender.ipv6
        asked = (
            bytes(4) + octets.packed(target.ipv6) + (b"" if is_own else octets.link_option(1, sender.link))
        )
        self._icmpv6(
            sender.link, octets.group_link(group), source, group, octets.icmp(source, group, 135, 0, asked)
        )
        if not is_own:
            told = bytes.fromhex("60000000") + octets.packed(target.ipv6) + octets.link_option(2, target.link)
            made = octets.icmp(target.ipv6, sender.ipv6, 136, 0, told)
            self._icmpv6(target.link, sender.link, target.ipv6, sender.ipv6, made)

    def router_advertisement(self, source: str = "fe80::1") -> None:
        """The router offers its prefix to all nodes."""
        router = self.segment.router
        prefix = next(prefix for prefix in self.segment.prefixes if is_ipv6(prefix)).partition("/")[0]
        made = octets.icmp(source, "ff02::1", 134, 0, octets.router_advertisement(prefix, router.link))
        self._icmpv6(router.link, octets.group_link("ff02::1"), source, "ff02::1", made)

    def _icmpv6(self, source_link: str, target_link: str, source: str, target: str, message: bytes) -> None:
        self._ip(source_link, target_link, octets.ip(source, target, octets.ICMPV6, message, hop_limit=255))
        self.wait(LOCAL_DELAY)

    def igmp_join(self, host: Host, group: str) -> None:
        """A membership report."""
        made = octets.ip(host.ipv4, group, octets.IGMP, octets.igmp_report(group), hop_limit=1)
        self._ip(host.link, octets.group_link(group), made)
        self.wait(LOCAL_DELAY)

    def mdns_announce(self, host: Host, service: str = "_http._tcp", port: int = 80, text: Sequence[str] = ("path=/",), *,
                      instance: str | None = None, goodbye: bool = False, relayed: bool = False,
                      addresses: Iterable[str] | None = None) -> None:  # fmt: skip
        """An announcement, twice a second apart (RFC 6762 8.3), or one goodbye."""
        known = (
            list(addresses)
            if addresses is not None
            else [a for a in (host.ipv4, host.ipv6) if a not in {"0.0.0.0", "::"}]
        )
        body = messages.mdns_service(
            instance or host.name, service, host.name, known, port, text, goodbye=goodbye
        )
        for turn in range(1 if goodbye else 2):
            if turn:
                self.wait(1)
            self.group_datagram(host, MDNS["ipv4"], (5353, 5353), body, relayed=relayed)

    def mdns_probe(self, host: Host) -> None:
        """Three probes for the own host name, 250 ms apart (RFC 6762 8.1)."""
        for _ in range(3):
            self.group_datagram(host, MDNS["ipv4"], (5353, 5353), messages.mdns_probe(host.name, host.ipv4))
            self.wait(0.25)

    def mdns_browse(self, host: Host, service: str = "_http._tcp") -> None:
        """A question for a service type."""
        question = messages.dns(0, 0, [(f"{service}.local", messages.PTR, messages.IN)])
        self.group_datagram(host, MDNS["ipv4"], (5353, 5353), question)

    def ssdp_search(self, host: Host, target: str = "upnp:rootdevice") -> None:
        """A search to the group; answers are unicast and stand for themselves."""
        self.group_datagram(host, SSDP_GROUP, (self.port(), 1900), messages.ssdp_search(target), hop_limit=2)

    # Names and time

    def dns_lookup(self, client: Host, name: str, addresses: Sequence[str] = (), *, resolver: Host | None = None,
                   family: str = "ipv4", fails: bool = False) -> None:  # fmt: skip
        """A question and its answer: the addresses, or NXDOMAIN where it fails."""
        server, port, identifier = resolver or self.segment.router, self.port(), self.number(16)
        kind = messages.AAAA if addresses and is_ipv6(addresses[0]) else messages.A
        self.datagram(client, server, (port, 53), messages.dns_query(identifier, name, kind), family)
        code = messages.NXDOMAIN if fails else messages.NOERROR
        answer = messages.dns_response(identifier, name, addresses, kind, code=code)
        self.datagram(server, client, (53, port), answer, family)

    def ntp(self, client: Host, server: Host, family: str = "ipv4") -> None:
        """A question for the time and its answer."""
        port = self.port()
        self.datagram(client, server, (port, 123), messages.ntp(3, self.now_ns), family)
        self.datagram(server, client, (123, port), messages.ntp(4, self.now_ns), family)

    # TCP

    def connect(
        self, client: Host, server: Host, port: int, *, family: str = "ipv4", begun: bool = True
    ) -> Connection:
        """A connection; ``begun`` False: it was open before the recording."""
        opened = Connection(self, client, server, port, family)
        if begun:
            opened.open()
        return opened

    def attempt(self, client: Host, server: Host, port: int, *, answer: str = "none", family: str = "ipv4", tries: int = 3,
                by: Host | None = None) -> None:  # fmt: skip
        """
        A SYN that leads nowhere.

        Args:
            client: who knocks.
            server: at whose door.
            port: which one.
            answer: ``none`` (repeated after 1 and 2 s), ``reset`` or ``prohibited`` (ICMP type 3 code 13, RFC 1812).
            family: of the addresses.
            tries: SYN segments where nothing answers.
            by: who sends the ICMP error; the router where None.
        """
        tried = Connection(self, client, server, port, family)
        for turn in range(tries if answer == "none" else 1):
            self.wait(turn)
            tried.segment(True, SYN, maximum_segment=tried.maximum_segment())
        if answer == "reset":
            tried.sequence[True] += 1
            tried.segment(False, RST | ACK)
        elif answer == "prohibited":
            self._prohibited(tried, by or self.segment.router)

    def _prohibited(self, tried: Connection, by: Host) -> None:
        source, target = tried.ends()
        refused = octets.tcp(source, target, (tried.client_port, tried.port), tried.sequence[True], 0, SYN)
        quoted = octets.ip(source, target, octets.TCP, refused, hop_limit=63)
        kind = (1, 1) if is_ipv6(source) else (3, 13)  # RFC 4443 3.1, RFC 1812 5.2.7.1
        sender = by.address(tried.family)
        body = octets.icmp(sender, source, *kind, bytes(4) + quoted)
        protocol = octets.ICMPV6 if is_ipv6(source) else octets.ICMP
        whole = octets.ip(sender, source, protocol, body, identification=self._identification(sender))
        self._ip(self.segment.router.link, tried.client.link, whole)
        self.wait(LOCAL_DELAY)

    def http_exchange(self, client: Host, server: Host, request: bytes, response: bytes | None, *, port: int = 80,
                      family: str = "ipv4") -> None:  # fmt: skip
        """One request on a fresh connection; no response: the server closes without one."""
        opened = self.connect(client, server, port, family=family)
        opened.send(request, acknowledged=response is None)
        if response is not None:
            opened.receive(response)
        opened.close()

    def tls_session(self, client: Host, server: Host, pieces: Transcript, *, port: int = 443, family: str = "ipv4",
                    stays_open: bool = False) -> Connection:  # fmt: skip
        """Play a transcript; the connection is handed back so that a story can go on with it."""
        opened = self.connect(client, server, port, family=family)
        for piece in pieces:
            if piece.from_client:
                opened.send(piece.octets)
            else:
                opened.receive(piece.octets)
        if not stays_open:
            opened.close()
        return opened

    # The file

    def captured(
        self, *, snap_octets: int = 0, copies: int = 1, copy_delay_ns: int = 40_000
    ) -> list[Captured]:
        """Frames in time order, cut to the snap length, each repeated where a mirror copies both directions."""
        taken = [
            Captured(
                time_ns=frame.time_ns + turn * copy_delay_ns,
                octets=frame.octets[:snap_octets] if snap_octets else frame.octets,
                original_octets=len(frame.octets),
                comment=frame.comment if turn == 0 else None,
                link_type=frame.link_type,
            )
            for frame in self.frames
            for turn in range(copies)
        ]
        return taken if self.keep_order else sorted(taken, key=lambda packet: packet.time_ns)

    def write(self, path: Path, *, snap_octets: int = 0, copies: int = 1, cut_octets: int = 0, dropped: int | None = None,
              filter_text: str | None = None, comment: str | None = None) -> Path:  # fmt: skip
        """
        Write a file; the suffix chooses the format.

        Args:
            path: ``.pcap`` or ``.pcapng``.
            snap_octets: 0 keeps packets whole.
            copies: how often each packet is recorded.
            cut_octets: taken away from the end of the file.
            dropped: counter of the interface (pcapng).
            filter_text: of the interface (pcapng).
            comment: of the section (pcapng).
        """
        packets = self.captured(snap_octets=snap_octets, copies=copies)
        if path.suffix == ".pcap":
            made = pcap(packets, snap_octets=snap_octets or 262_144)
        else:
            made = pcapng(
                packets, snap_octets=snap_octets, dropped=dropped, filter_text=filter_text, comment=comment
            )
        path.write_bytes(made[: len(made) - cut_octets] if cut_octets else made)
        return path
