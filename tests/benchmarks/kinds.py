"""Which kinds of conversations an invented household has."""

from dataclasses import dataclass

TCP, UDP, ICMP = 6, 17, 1


@dataclass(frozen=True)
class Kind:
    """A kind of flow; ``share`` is relative, ``payload`` a name of ``payloads.KINDS``."""

    share: float
    protocol: int
    port: int
    payload: str | None = None
    """What the client says first; of datagrams every one."""
    answer: str | None = None
    """What the server says first; of datagrams every one.  None: as ``payload``."""
    prefix: str | None = None
    """How every later segment begins; a name of ``payloads.PREFIXES``."""
    ip_version: int = 4
    tags: int = 0
    extra: int = 0
    """Octets of IPv4 options or of an IPv6 extension header."""
    destination: str = "outside"
    is_bulk: bool = True
    weight: float = 1.0
    """How many packets, against other bulk."""
    has_body: bool = False
    """All that the server sends behind its first segment is the body that its head announces."""


FLOW_KINDS = (
    Kind(0.40, TCP, 443, "tls", "tls-answer", "tls"),
    Kind(0.05, TCP, 443, "tls", "tls-answer", "tls", tags=1),
    Kind(0.06, TCP, 443, "tls", "tls-answer", "tls", ip_version=6),
    Kind(0.06, TCP, 80, "http", "http-answer", destination="inside", has_body=True),
    Kind(0.03, TCP, 1883, "mqtt", "mqtt-answer", "mqtt", weight=0.2),
    Kind(0.20, UDP, 53, "dns-question", "dns-answer", destination="router", is_bulk=False),
    Kind(0.02, UDP, 5353, "announcement", destination="group", is_bulk=False),
    Kind(0.01, UDP, 1900, "search", destination="group", is_bulk=False),
    Kind(0.01, UDP, 67, "dhcp", destination="router", is_bulk=False),
    Kind(0.06, UDP, 443),
    Kind(0.01, UDP, 5568, "show-data", destination="group", is_bulk=False),
    Kind(0.01, UDP, 4000, tags=2, destination="inside"),
    Kind(0.01, UDP, 4001, extra=4, destination="inside"),
    Kind(0.01, UDP, 4002, ip_version=6, extra=8),
    Kind(0.02, ICMP, 0, destination="inside"),
    Kind(0.04, TCP, 0, destination="inside", is_bulk=False),  # unanswered attempts on many ports
)
