"""
Ask one's own light what it offers: only when told to, one question a second, never a control message.

Standards: RFC 9110 section 9.2.1 (GET is safe: the client asks for no change of state),
           UPnP Device Architecture 2.0 section 1.3.2 (unicast search) and 2.3 (description by its location),
           RFC 6763 section 9 and RFC 6762 section 5.5 (services asked for by unicast).
"""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from urllib.parse import urlsplit

from auditor.addresses import (
    HOME_KINDS,
    Address,
    format_address,
    is_ipv4,
    kind_of,
    pack_address,
    parse_address,
)
from auditor.dissect.syntax.dns_message import parse_dns_message
from auditor.errors import DecodeError, UsageError
from auditor.live.own_flows import TCP, UDP, OwnFlows
from auditor.wire import Cursor

PORTS = (80, 443, 8080, 21, 22, 23, 554, 1883, 8883)
"""HTTP, HTTPS, another HTTP, FTP, SSH, Telnet, RTSP, MQTT with and without TLS (IANA service names)."""
ASKED_BY_HTTP = frozenset({80, 8080})
PACE_SECONDS = 1.0
"""From the beginning of one question to that of the next: a small device with four sockets stays at ease."""
PATIENCE_SECONDS = 2.0
MAX_ANSWER_OCTETS = 65_536  # read of one answer; what follows is left to the device
MAX_TYPES = 8  # service types asked for one by one; a light announces one to three
MAX_LOCATIONS = 2  # descriptions fetched; a light has one
SSDP_PORT, MDNS_PORT = 1900, 5353
META_QUERY = "_services._dns-sd._udp.local"
POINTER = 12  # record type (RFC 1035 section 3.2.2)

Tell = Callable[[str], None]


def check_address(text: str) -> Address:
    """The address of a device at home; raises ``UsageError`` for any other."""
    try:
        address = parse_address(text)
    except ValueError:
        raise UsageError("--ask", f"expected an address such as 192.168.1.20, found {text!r}") from None
    if kind_of(address) not in HOME_KINDS:
        raise UsageError(
            "--ask", f"{text} is not an address inside a home (private, unique local or link-local)"
        )
    return address


def ask_devices(interface: str, flows: OwnFlows, stop: threading.Event, tell: Tell) -> None:
    """Ask every device of ``flows.asked``, one after the other; for a thread of its own."""
    pace = Pace(stop)
    for address in flows.asked:
        Probe(address=address, interface=interface, flows=flows, pace=pace, tell=tell).ask_all()


class Pace:
    """One question a second, whoever is asked."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self._next = 0.0

    def wait(self) -> bool:
        """Wait for the next question's turn; False once the recording ends."""
        if self._stop.wait(max(self._next - time.monotonic(), 0)):
            return False
        self._next = time.monotonic() + PACE_SECONDS
        return True


@dataclass(slots=True, kw_only=True)
class Probe:
    """The questions to one address, in their order."""

    address: Address
    interface: str
    flows: OwnFlows
    pace: Pace
    tell: Tell

    def ask_all(self) -> None:
        """Ask everything once, telling what answered; a device that is away costs nothing but time."""
        for port in PORTS:
            if not self.pace.wait():
                return
            self._ask_port(port)
        locations = self._search()
        for location in locations[:MAX_LOCATIONS]:
            if not self.pace.wait():
                return
            self._fetch(location)
        types = self._ask_names(META_QUERY)
        for name in types[:MAX_TYPES]:
            self._ask_names(name)
        self.tell(f"{self._shown}: everything was asked")

    @property
    def _shown(self) -> str:
        return format_address(self.address)

    @contextlib.contextmanager
    def _opened(self, kind: socket.SocketKind, port: int) -> Iterator[socket.socket]:
        """A socket whose packets are known as ours before the first is sent."""
        family = socket.AF_INET if is_ipv4(self.address) else socket.AF_INET6
        peer: tuple[str, int] | tuple[str, int, int, int] = (self._shown, port)
        if family == socket.AF_INET6:
            peer = (self._shown, port, 0, socket.if_nametoindex(self.interface))
        with socket.socket(family, kind) as opened:
            opened.settimeout(PATIENCE_SECONDS)
            # Which of our addresses leads there: connecting a datagram socket sends nothing.
            with socket.socket(family, socket.SOCK_DGRAM) as scout:
                scout.connect(peer)
                own = scout.getsockname()
            opened.bind((own[0], 0, *own[2:]))
            local = opened.getsockname()
            protocol = TCP if kind == socket.SOCK_STREAM else UDP
            source = pack_address(ipaddress.ip_address(local[0].partition("%")[0]))
            self.flows.add(protocol, source, local[1], self.address, port)
            opened.connect(peer)
            yield opened

    def _ask_port(self, port: int) -> None:
        try:
            with self._opened(socket.SOCK_STREAM, port) as opened:
                answer = self._get(opened, "/", port) if port in ASKED_BY_HTTP else None
        except OSError as error:
            if not isinstance(error, TimeoutError | ConnectionError):
                self.tell(f"{self._shown} port {port}: {error.strerror or error}")
            return
        self.tell(f"{self._shown} port {port}: open" + (f", {answer}" if answer else ""))

    def _get(self, opened: socket.socket, path: str, port: int) -> str:
        """GET (RFC 9112); the status line, or a word for its absence."""
        host = self._shown if is_ipv4(self.address) else f"[{self._shown}]"
        request = (
            f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\nAccept: */*\r\n"
            "User-Agent: lighting-network-auditor\r\nConnection: close\r\n\r\n"
        )
        opened.sendall(request.encode("ascii"))
        answer = b""
        end = time.monotonic() + PATIENCE_SECONDS
        with contextlib.suppress(TimeoutError, ConnectionError):
            while len(answer) < MAX_ANSWER_OCTETS and time.monotonic() < end:
                octets = opened.recv(4096)
                if not octets:
                    break
                answer += octets
        return _one_line(answer) or "no answer to GET"

    def _search(self) -> list[str]:
        """Paths of the descriptions that the device itself names at its own address."""
        message = (
            "M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\n"
            'MAN: "ssdp:discover"\r\nST: ssdp:all\r\n\r\n'
        )
        found: list[str] = []
        for answer in self._exchange(SSDP_PORT, message.encode("ascii")):
            for line in answer.decode("latin-1").splitlines():
                name, _, value = line.partition(":")
                if name.strip().lower() == "location" and value.strip() not in found:
                    found.append(value.strip())
        return found

    def _fetch(self, location: str) -> None:
        """A description; only from the address that was confirmed, whatever the device says."""
        try:
            parts = urlsplit(location)
            port = parts.port or 80
            same = parts.hostname is not None and parse_address(parts.hostname) == self.address
        except ValueError:
            same, port = False, 0
        if not same or parts.scheme != "http" or not location.isascii() or not location.isprintable():
            self.tell(f"{self._shown}: names a description elsewhere, which is not asked for")
            return
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        with contextlib.suppress(OSError), self._opened(socket.SOCK_STREAM, port) as opened:
            self.tell(f"{self._shown} port {port}: description, {self._get(opened, path, port)}")

    def _ask_names(self, name: str) -> list[str]:
        found: list[str] = []
        for answer in self._exchange(MDNS_PORT, pointer_question(name)):
            try:
                records = parse_dns_message(Cursor(answer), is_multicast=True).answers
            except DecodeError:
                continue
            found += [record.target for record in records if record.record_type == POINTER and record.target]
        names = sorted(set(found))
        if names:
            self.tell(f"{self._shown}: {name}: {', '.join(names[:MAX_TYPES])}")
        return names

    def _exchange(self, port: int, message: bytes) -> list[bytes]:
        """Send one datagram and collect what comes back while patience lasts."""
        if not self.pace.wait():
            return []
        answers: list[bytes] = []
        octets = 0
        end = time.monotonic() + PATIENCE_SECONDS
        with contextlib.suppress(OSError), self._opened(socket.SOCK_DGRAM, port) as opened:
            opened.send(message)
            while octets < MAX_ANSWER_OCTETS and (rest := end - time.monotonic()) > 0:
                opened.settimeout(rest)
                answers.append(opened.recv(MAX_ANSWER_OCTETS))
                octets += len(answers[-1])
        return answers


def pointer_question(name: str) -> bytes:
    """One question for PTR records (RFC 1035 section 4.1); unicast-response bit of RFC 6762 5.4."""
    labels = b"".join(bytes([len(label)]) + label for label in name.encode().rstrip(b".").split(b"."))
    head = struct.pack("!6H", secrets.randbelow(1 << 16), 0, 1, 0, 0, 0)
    return head + labels + b"\0" + struct.pack("!HH", POINTER, 0x8001)


def _one_line(answer: bytes) -> str:
    line = answer.partition(b"\n")[0][:80].decode("latin-1")
    return "".join(c for c in line if c.isascii() and c.isprintable()).strip()
