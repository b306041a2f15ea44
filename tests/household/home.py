"""The invented household: who lives in the recordings."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import ip_address, ip_network


@dataclass(frozen=True, slots=True)
class Host:
    """One end of a conversation."""

    name: str
    link: str = "02:00:00:00:00:00"
    """Link address; outside the home it is never on the wire."""
    ipv4: str = "0.0.0.0"
    ipv6: str = "::"
    hops_away: int = 0
    """Routers between this host and the recorded segment; outside hosts have some."""
    ipv6_global: str = "::"
    """Used towards the internet where the home address is a unique local one."""
    hop_limit: int = 64
    """What it sends packets with (RFC 1340 and common practice: 64)."""

    def address(self, family: str, towards: Host | None = None) -> str:
        """The address for a conversation of this family."""
        if family == "ipv4":
            return self.ipv4
        if towards is not None and towards.hops_away > 1 and self.ipv6_global != "::":
            return self.ipv6_global
        return self.ipv6


@dataclass(frozen=True, slots=True)
class Segment:
    """A part of the home network, with the router's end in it."""

    router: Host
    prefixes: tuple[str, ...]
    vlan: int | None = None
    _networks: tuple[object, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_networks", tuple(ip_network(prefix) for prefix in self.prefixes))

    @property
    def mask(self) -> bytes:
        """Subnet mask of its IPv4 prefix, as a lease tells it (RFC 2132 3.3)."""
        return next(ip_network(prefix) for prefix in self.prefixes if "." in prefix).netmask.packed

    def holds(self, address: str) -> bool:
        """Whether an address belongs to this segment."""
        there = ip_address(address)
        return there.is_link_local or any(there in network for network in self._networks)  # type: ignore[operator]


ROUTER = Host("router", "02:00:5e:10:00:01", "192.168.77.1", "fd00:77::1")
LIGHTS_ROUTER = Host("router", "02:00:5e:10:00:02", "192.168.78.1", "fd00:78::1")
MAIN = Segment(ROUTER, ("192.168.77.0/24", "fd00:77::/64", "2001:db8:77::/64"))
LIGHTS = Segment(LIGHTS_ROUTER, ("192.168.78.0/24", "fd00:78::/64", "2001:db8:78::/64"))

# Documentation link addresses (RFC 7042 2.1.1) stand for hardware with a registered prefix, locally administered ones
# for what makes up its own address.
LIGHT = Host("shelf-light", "00:00:5e:00:53:21", "192.168.77.21", "fd00:77::200:5eff:fe00:5321",
             ipv6_global="2001:db8:77::200:5eff:fe00:5321")  # fmt: skip
QUIET_LIGHT = Host("shelf-light", "00:00:5e:00:53:21", "192.168.77.21", "fd00:77::9a3c:51d2:77ef:1042")
"""The shelf light with an address that does not hold its link address (RFC 7217)."""
TWIN = Host("shelf-light-2", "00:00:5e:00:53:22", "192.168.77.22", "fd00:77::200:5eff:fe00:5322")
HUB = Host("hub", "00:00:5e:00:53:30", "192.168.77.30", "fd00:77::30")
FILE_SERVER = Host("file-server", "00:00:5e:00:53:40", "192.168.77.40", "fd00:77::40")
SHOW_COMPUTER = Host("show-computer", "00:00:5e:00:53:41", "192.168.77.41")
PHONE = Host("phone", "8a:4c:1d:20:71:05", "192.168.77.51", "fd00:77::51")
LAPTOP = Host("laptop", "00:00:5e:00:53:60", "192.168.77.60", "fd00:77::60")

MOVED_LIGHT = Host("shelf-light", "00:00:5e:00:53:21", "192.168.78.21", "fd00:78::200:5eff:fe00:5321")
MOVED_TWIN = Host("shelf-light-2", "00:00:5e:00:53:22", "192.168.78.22", "fd00:78::200:5eff:fe00:5322")

CLOUD = Host("cloud.shelf-light.example", ipv4="198.51.100.80", ipv6="2001:db8:100::80", hops_away=11)
TIME_SERVER = Host("time.pool.example", ipv4="203.0.113.123", ipv6="2001:db8:113::123", hops_away=9)
OUTSIDE_RESOLVER = Host("resolver.example", ipv4="198.51.100.53", ipv6="2001:db8:100::53", hops_away=8)
WEB = Host("news.example", ipv4="203.0.113.80", ipv6="2001:db8:113::80", hops_away=10)
STRANGER = Host("stranger", ipv4="203.0.113.200", ipv6="2001:db8:113::200", hops_away=14)
OUTSIDE_BROKER = Host(
    "broker.shelf-light.example", ipv4="198.51.100.183", ipv6="2001:db8:100::183", hops_away=11
)

START_NS = 1_773_514_800_000_000_000  # 2026-03-14T19:00:00Z
NEXT_EVENING_NS = START_NS + 86_400_000_000_000
