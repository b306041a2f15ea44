"""
Record announcements without special rights: what devices tell everybody over mDNS and SSDP.

Standards: RFC 6762 sections 3 and 11 (groups, port), RFC 6763 section 9 (all service types),
           UPnP Device Architecture 2.0 sections 1.2 and 1.3 (notification, search).

zeroconf asks, as any application on a network does; what comes is taken from
sockets of our own, octet for octet, because the library keeps neither the
sender nor the records that it does not know.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from auditor.addresses import Address, pack_address
from auditor.capture.announcements import MAX_PAYLOAD_OCTETS, Announcement, write_head, write_line
from auditor.errors import OutputError, UsageError
from auditor.live.log_file import LogFile
from auditor.live.ring import STEM, recover_parts

MDNS_PORT, SSDP_PORT = 5353, 1900
MDNS_GROUPS = ("224.0.0.251", "ff02::fb")
SSDP_GROUPS = ("239.255.255.250", "ff02::c")
META_QUERY = "_services._dns-sd._udp.local."
MAX_TYPES = 64  # service types asked for; a home announces some twenty
MAX_DATAGRAMS = 1_000_000  # of one log, some 500 MB: more than a home announces in weeks
SEARCH_SECONDS = 30.0
"""Between two searches over SSDP: devices answer within five seconds (UPnP 1.3.2), and some sleep."""
WAIT_SECONDS = 0.2

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnnouncementsResult:
    """What was recorded."""

    file: Path
    datagrams: int
    senders: int


def record_announcements(
    interface: str,
    folder: Path,
    stem: str,
    *,
    seconds: float | None,
    stop: threading.Event,
    tell: Tell,
    opened: Callable[[], None] | None = None,
) -> AnnouncementsResult:
    """
    Record announcements until the time is over or ``stop`` is set.

    ``opened`` is called once the sockets are open and before anything is written.

    Raises ``UsageError`` where the interface has no address, the library is
    missing or the ports cannot be listened on, ``OutputError`` where the log
    cannot be written.
    """
    if STEM.fullmatch(stem) is None:
        raise UsageError("--stem", f"expected letters, digits, - and _, found {stem!r}")
    own = _own_addresses(interface)
    log = _Log(own={pack_address(ip_address(text)) for text in own})
    listening = _Listening(interface, own)
    try:
        if opened is not None:
            opened()
        recover_parts(folder, tell)
        with LogFile(folder, stem, write_head(interface)) as file, _browsing(own, tell):
            log.run(listening, file, seconds, stop, tell)
            path = file.complete()
    except OSError as error:
        raise OutputError(f"{folder}: {error.strerror or error}") from error
    finally:
        listening.close()
    return AnnouncementsResult(file=path, datagrams=log.datagrams, senders=len(log.senders))


def _own_addresses(interface: str) -> list[str]:
    try:
        import ifaddr
        import zeroconf  # noqa: F401 - missing or not, it is told before anything is begun
    except ImportError:
        raise UsageError(
            "", f"--announcements needs zeroconf: {sys.executable} -m pip install 'zeroconf>=0.131'"
        ) from None
    for adapter in ifaddr.get_adapters():
        if interface in (adapter.name, adapter.nice_name):
            texts = [str(ip.ip if ip.is_IPv4 else ip.ip[0]) for ip in adapter.ips]
            if any(ip_address(text).version == 4 for text in texts):
                return texts
            raise UsageError("INTERFACE", f"{interface} has no IPv4 address; connect it to the network first")
    names = ", ".join(sorted(str(adapter.name) for adapter in ifaddr.get_adapters()))
    raise UsageError("INTERFACE", f"there is no interface {interface}; this system has {names}")


class _Listening:
    """The sockets: two groups of each family, and one that searches."""

    def __init__(self, interface: str, own: list[str]) -> None:
        self._groups: dict[socket.socket, tuple[str, int]] = {}
        self._four = next(text for text in own if ip_address(text).version == 4)
        self._index = socket.if_nametoindex(interface)
        self.search = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self.search.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(self._four))
            self.search.bind((self._four, 0))
            self._groups[self.search] = (self._four, self.search.getsockname()[1])
            for port, groups in ((MDNS_PORT, MDNS_GROUPS), (SSDP_PORT, SSDP_GROUPS)):
                for group in groups:
                    self._join(group, port)
        except OSError as error:
            self.close()
            raise UsageError(
                "", f"announcements cannot be listened for: {error.strerror or error}"
            ) from error

    def _join(self, group: str, port: int) -> None:
        is_four = ip_address(group).version == 4
        opened = socket.socket(socket.AF_INET if is_four else socket.AF_INET6, socket.SOCK_DGRAM)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if hasattr(socket, "SO_REUSEPORT"):
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        try:
            if is_four:
                # Bound to the group itself where the system can: what is sent to one host alone passes by.
                opened.bind((group if sys.platform != "win32" else "", port))
                member = struct.pack("4s4s", socket.inet_aton(group), socket.inet_aton(self._four))
                opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
            else:
                opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
                opened.bind((group if sys.platform != "win32" else "", port, 0, self._index))
                member = socket.inet_pton(socket.AF_INET6, group) + struct.pack("@I", self._index)
                opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, member)
        except OSError:
            opened.close()
            if is_four:
                raise
            return  # a home without IPv6
        self._groups[opened] = (group, port)

    def ask(self) -> None:
        """Search once over SSDP; answers come to the socket that asked."""
        message = (
            "M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\n"
            'MAN: "ssdp:discover"\r\nMX: 3\r\nST: ssdp:all\r\n\r\n'
        )
        with contextlib.suppress(OSError):  # the network may be away for a moment
            self.search.sendto(message.encode("ascii"), (SSDP_GROUPS[0], SSDP_PORT))

    def take(self, seconds: float) -> list[Announcement]:
        """Datagrams that have come, waiting up to ``seconds``."""
        ready, _, _ = select.select(list(self._groups), [], [], max(seconds, 0))
        found = []
        for opened in ready:
            with contextlib.suppress(OSError):
                payload, sender = opened.recvfrom(MAX_PAYLOAD_OCTETS)
                group, port = self._groups[opened]
                source = pack_address(ip_address(sender[0].partition("%")[0]))
                destination = pack_address(ip_address(group))
                found.append(Announcement(time.time_ns(), source, sender[1], destination, port, payload))
        return found

    def close(self) -> None:
        """Give all sockets back."""
        self.search.close()
        for opened in self._groups:
            opened.close()


@dataclass(slots=True)
class _Log:
    own: set[Address]
    datagrams: int = 0
    senders: set[Address] = field(default_factory=set)

    def run(
        self, listening: _Listening, file: LogFile, seconds: float | None, stop: threading.Event, tell: Tell
    ) -> None:
        end = None if seconds is None else time.monotonic() + seconds
        searched = float("-inf")
        while not stop.is_set() and (end is None or time.monotonic() < end):
            if time.monotonic() - searched >= SEARCH_SECONDS:
                listening.ask()
                searched = time.monotonic()
            for one in listening.take(WAIT_SECONDS):
                if one.source in self.own:  # this computer's own questions tell nothing of the home
                    continue
                if self.datagrams >= MAX_DATAGRAMS:
                    tell(f"{MAX_DATAGRAMS} announcements are as many as one log holds; ending")
                    return
                file.write(write_line(one))
                self.datagrams += 1
                if len(self.senders) < MAX_DATAGRAMS:
                    self.senders.add(one.source)


@contextlib.contextmanager
def _browsing(own: list[str], tell: Tell) -> Any:
    """Have zeroconf ask for all service types, and for each type that it finds, while the block runs."""
    import zeroconf

    asker = zeroconf.Zeroconf(interfaces=[text for text in own if ip_address(text).version == 4])
    browsers: dict[str, zeroconf.ServiceBrowser] = {}

    def browse(name: str) -> None:
        if name in browsers or len(browsers) >= MAX_TYPES:
            return
        try:
            # Answers by multicast: one sent to this host alone would reach only one of several listeners.
            browsers[name] = zeroconf.ServiceBrowser(
                asker, name, handlers=[found], question_type=zeroconf.DNSQuestionType.QM
            )
        except zeroconf.BadTypeInNameException:
            tell("an announced service type has no usable name; it is recorded and not asked for")

    def found(
        zeroconf: zeroconf.Zeroconf,  # noqa: ARG001 - the library calls by these names
        service_type: str,
        name: str,
        state_change: zeroconf.ServiceStateChange,  # noqa: ARG001
    ) -> None:
        if service_type == META_QUERY:
            # In a thread of its own: this one is the library's, which must not wait for itself.
            threading.Thread(target=browse, args=(name,), daemon=True).start()

    browse(META_QUERY)
    try:
        yield
    finally:
        asker.close()
