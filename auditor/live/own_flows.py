"""Which packets of a recording are the recorder's own questions and their answers."""

from __future__ import annotations

import threading

from auditor.addresses import IPV4_MAPPED_PREFIX, Address
from auditor.capture.own_questions import OWN_PACKET

TCP, UDP = 6, 17  # protocol numbers (IANA)
IPV4, IPV6 = b"\x08\x00", b"\x86\xdd"
ADDRESSES_OCTETS, IPV6_HEAD_OCTETS = 14, 40

_Key = tuple[int, Address, int, Address, int]


class OwnFlows:
    """Filled by the thread that asks, before its first packet; read by the thread that records."""

    def __init__(self, asked: tuple[Address, ...] = ()) -> None:
        self.asked = asked
        """Who is asked; every file of the recording says so."""
        self._flows: set[_Key] = set()
        self._lock = threading.Lock()

    def add(self, protocol: int, local: Address, local_port: int, peer: Address, peer_port: int) -> None:
        """Note a conversation in both directions."""
        with self._lock:
            self._flows.add((protocol, local, local_port, peer, peer_port))
            self._flows.add((protocol, peer, peer_port, local, local_port))

    def comment_on(self, octets: bytes) -> str | None:
        """The comment for an Ethernet frame; None where it is not one of ours."""
        key = _key_of(octets)
        if key is None:
            return None
        with self._lock:
            return OWN_PACKET if key in self._flows else None


def _key_of(octets: bytes) -> _Key | None:
    """Protocol, source and destination; without IPv6 extension headers, which our own packets do not have."""
    kind, head = octets[12:14], octets[ADDRESSES_OCTETS:]
    if kind == IPV4 and len(head) >= 20:
        protocol, length = head[9], (head[0] & 0x0F) * 4
        source = Address(IPV4_MAPPED_PREFIX + head[12:16])
        destination = Address(IPV4_MAPPED_PREFIX + head[16:20])
    elif kind == IPV6 and len(head) >= IPV6_HEAD_OCTETS:
        protocol, length = head[6], IPV6_HEAD_OCTETS
        source, destination = Address(head[8:24]), Address(head[24:40])
    else:
        return None
    ports = head[length : length + 4]
    if protocol not in (TCP, UDP) or len(ports) < 4:
        return None
    return (
        protocol,
        source,
        int.from_bytes(ports[:2], "big"),
        destination,
        int.from_bytes(ports[2:], "big"),
    )
