"""A TCP connection of a recording, with the sequence numbers of both sides (RFC 9293)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tests.household import octets
from tests.household.home import Host
from tests.household.octets import ACK, FIN, PSH, SYN

if TYPE_CHECKING:
    from tests.builders import Recording

MAXIMUM_SEGMENT = {"ipv4": 1460, "ipv6": 1440}  # octets of payload: 1500 less both heads (RFC 9293 3.7.1)


@dataclass(slots=True)
class Connection:
    """A TCP connection with the sequence numbers of both sides."""

    recording: Recording
    client: Host
    server: Host
    port: int
    family: str = "ipv4"
    client_port: int = 0
    sequence: dict[bool, int] = field(default_factory=dict)
    """Next octet of each side; True is the client."""

    def __post_init__(self) -> None:
        self.client_port = self.client_port or self.recording.port()
        self.sequence = {True: self.recording.number(), False: self.recording.number()}

    def ends(self) -> tuple[str, str]:
        """Addresses of client and server."""
        return self.client.address(self.family, self.server), self.server.address(self.family, self.client)

    def maximum_segment(self) -> int:
        """Octets of payload that one segment holds."""
        return MAXIMUM_SEGMENT[self.family]

    def segment(
        self, from_client: bool, flags: int, payload: bytes = b"", maximum_segment: int | None = None
    ) -> None:
        """One segment; its own sequence number goes on only in the verbs below."""
        sender, receiver = (self.client, self.server) if from_client else (self.server, self.client)
        ports = (self.client_port, self.port) if from_client else (self.port, self.client_port)
        ends = self.ends() if from_client else self.ends()[::-1]
        acknowledged = self.sequence[not from_client] if flags & ACK else 0
        made = octets.tcp(
            *ends, ports, self.sequence[from_client], acknowledged, flags, payload, maximum_segment
        )
        self.recording.packet(sender, receiver, octets.TCP, made, family=self.family)

    def open(self) -> None:
        """SYN, SYN-ACK, ACK (RFC 9293 3.5)."""
        self.segment(True, SYN, maximum_segment=self.maximum_segment())
        self.sequence[True] += 1
        self.segment(False, SYN | ACK, maximum_segment=self.maximum_segment())
        self.sequence[False] += 1
        self.segment(True, ACK)

    def send(self, payload: bytes, *, recorded: bool = True, acknowledged: bool = True) -> None:
        """The client writes; not acknowledged: the answer that follows does it (RFC 9293 3.8.6.3)."""
        self._transfer(True, payload, recorded, acknowledged)

    def receive(self, payload: bytes, *, recorded: bool = True) -> None:
        """The server writes."""
        self._transfer(False, payload, recorded)

    def _transfer(self, from_client: bool, payload: bytes, recorded: bool, acknowledged: bool = True) -> None:
        """Segments and one acknowledgement; what is not recorded still moves the numbers on."""
        if not recorded:
            self.sequence[from_client] += len(payload)
            return
        size = self.maximum_segment()
        for start in range(0, len(payload), size):
            part = payload[start : start + size]
            self.segment(from_client, PSH | ACK if start + len(part) == len(payload) else ACK, part)
            self.sequence[from_client] += len(part)
        if acknowledged:
            self.segment(not from_client, ACK)

    def close(self) -> None:
        """FIN both ways."""
        self.segment(True, FIN | ACK)
        self.sequence[True] += 1
        self.segment(False, FIN | ACK)
        self.sequence[False] += 1
        self.segment(True, ACK)
