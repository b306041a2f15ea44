"""
A plan built out of namespaces: a router with the segments of a layout, every device in its place, the outside behind it.

Segments are bridges called as the rendered rules call them by default; link addresses are those of the recording, so that rules
by link address are met as on a home router.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from auditor.addresses import format_address, format_link, is_ipv4
from auditor.isolation.addressing import routable
from auditor.isolation.model import LIGHTS, MAIN, Layout
from auditor.isolation.nftables import TABLE
from auditor.isolation.plan import Proposal

ROOT = Path(__file__).parents[2]
NEIGHBOUR = "neighbour"
"""A host of the main network that the inventory does not list."""
OUTSIDE, ROUTER = "outside", "router"
UNKNOWN_OUTSIDE = {"ipv4": "192.0.2.77", "ipv6": "2001:db8:77:77::77"}
"""An outside host that no entry names (RFC 5737, RFC 3849)."""
SETTLING_TURNS = 10
STEPS = {"main": ("192.168.77.1", "fd00:77::1"), "lights": ("192.168.78.1", "fd00:78::1")}


def require() -> None:
    """Skip with the reason where the lab cannot be; fail where ``CI`` is set."""
    missing = [tool for tool in ("ip", "nft") if shutil.which(tool) is None]
    reason = "the lab needs root" if os.geteuid() else None
    if reason is None and missing:
        reason = f"the lab needs {', '.join(missing)}"
    if reason is None:
        probe = f"try{os.getpid()}"
        done = _run("ip", "netns", "add", probe)
        if done.returncode:
            reason = "the lab needs network namespaces"
        else:
            if _run("ip", "netns", "exec", probe, "nft", "list", "ruleset").returncode:
                reason = "the lab needs nftables in the kernel"
            _run("ip", "netns", "delete", probe)
    if reason is not None:
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


def _run(*arguments: str, given: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(arguments, input=given, capture_output=True, text=True, check=False, timeout=60)


class Attempt(NamedTuple):
    """Who tries to reach whom."""

    who: str
    whom: str
    transport: str
    family: str
    port: int
    address: str


@dataclass(slots=True)
class PlannedHouse:
    """Rooms by device_id, ``neighbour``, ``outside`` and ``router``."""

    proposal: Proposal
    layout: Layout
    ports: tuple[tuple[str, int], ...]
    outside_addresses: dict[str, list[str]]
    addresses: dict[str, dict[str, str]] = field(default_factory=dict)
    _segments: dict[str, tuple[str, str]] = field(default_factory=dict)
    _prefix: str = field(default_factory=lambda: f"plan{os.getpid()}")
    _rooms: list[str] = field(default_factory=list)
    _agents: dict[str, subprocess.Popen[str]] = field(default_factory=dict)

    def build(self) -> None:
        """Everything but the rules."""
        self._room(ROUTER)
        inside = self._inside
        inside(ROUTER, "sysctl", "-q", "-w", "net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1")
        prefix = self.proposal.addressing.lights_prefix
        lights4 = str(prefix[1]) if prefix else STEPS["lights"][0]
        self._segments = {MAIN: STEPS["main"], LIGHTS: (lights4, STEPS["lights"][1])}
        for segment, (ipv4, ipv6) in self._segments.items():
            bridge = f"{segment}0"
            self._link(ROUTER, "add", bridge, "type", "bridge")
            self._address(ROUTER, bridge, f"{ipv4}/24", f"{ipv6}/64")
            self._link(ROUTER, "set", bridge, "up")
        self._outside()
        for place, (device_id, device) in enumerate(self.proposal.addressing.devices.items(), start=101):
            if device_id in self.proposal.classes.parties.routers:
                continue
            moves = device_id in self.layout.moves
            ipv4 = [format_address(a) for a in routable(device.addresses, "ipv4")]
            # Only what lies in the main prefix can stand there: another segment's address was recorded elsewhere.
            ipv4 = [a for a in ipv4 if a.startswith("192.168.77.")] or [f"192.168.77.{place}"]
            ipv6 = [format_address(a) for a in routable(device.addresses, "ipv6")]
            ipv6 = [a for a in ipv6 if a.startswith("fd00:77:")] or [f"fd00:77::{place}"]
            if moves:
                planned = self.proposal.addressing.planned.get(device_id)
                ipv4 = [format_address(planned) if planned else f"{lights4.rpartition('.')[0]}.{place}"]
                ipv6 = [a.replace("fd00:77:", "fd00:78:") for a in ipv6]
            self._move_in(
                device_id,
                format_link(device.link_addresses[0])
                if device.link_addresses
                else f"02:00:00:00:01:{place:02x}",
                LIGHTS if moves else MAIN,
                ipv4,
                ipv6,
            )
        self._move_in(NEIGHBOUR, "02:00:00:00:00:99", MAIN, ["192.168.77.199"], ["fd00:77::199"])
        for name in (*self._rooms,):
            self._start(name)

    def _outside(self) -> None:
        self._room(OUTSIDE)
        self._link(
            ROUTER, "add", "wan0", "type", "veth", "peer", "name", "eth0", "netns", self._name(OUTSIDE)
        )
        self._address(ROUTER, "wan0", "100.64.0.1/24", "fd00:64::1/64")
        self._link(ROUTER, "set", "wan0", "up")
        self._address(OUTSIDE, "eth0", "100.64.0.2/24", "fd00:64::2/64")
        self._link(OUTSIDE, "set", "eth0", "up")
        for family, found in self.outside_addresses.items():
            for address in found:
                self._address(OUTSIDE, "lo", f"{address}/{32 if family == 'ipv4' else 128}")
        for name, hop4, hop6 in ((ROUTER, "100.64.0.2", "fd00:64::2"), (OUTSIDE, "100.64.0.1", "fd00:64::1")):
            self._inside(name, "ip", "route", "add", "default", "via", hop4)
            self._inside(name, "ip", "-6", "route", "add", "default", "via", hop6)
        self.addresses[OUTSIDE] = dict(UNKNOWN_OUTSIDE)

    def _move_in(self, name: str, link: str, segment: str, ipv4: list[str], ipv6: list[str]) -> None:
        self._room(name)
        port = f"p{len(self._rooms)}"
        self._link(ROUTER, "add", port, "type", "veth", "peer", "name", "eth0", "netns", self._name(name))
        self._link(ROUTER, "set", port, "master", f"{segment}0", "up")
        self._link(name, "set", "eth0", "address", link, "up")
        self._address(name, "eth0", *(f"{a}/24" for a in ipv4), *(f"{a}/64" for a in ipv6))
        hop4, hop6 = self._segments[segment]
        self._inside(name, "ip", "route", "add", "default", "via", hop4)
        self._inside(name, "ip", "-6", "route", "add", "default", "via", hop6)
        self.addresses[name] = {"ipv4": ipv4[0], "ipv6": ipv6[0]}

    def router_address(self, who: str, family: str) -> str:
        """Where a host meets the router."""
        if who == OUTSIDE:
            return "100.64.0.1" if family == "ipv4" else "fd00:64::1"
        segment = LIGHTS if who in self.layout.moves else MAIN
        return self._segments[segment][0 if family == "ipv4" else 1]

    def _start(self, name: str) -> None:
        agent = subprocess.Popen(
            ["ip", "netns", "exec", self._name(name), sys.executable, "-S", str(ROOT / "tests/lab/attempts.py")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._agents[name] = agent
        assert self._hear(name) == "ready"

    def open_doors(self) -> None:
        """Every host serves every port that is going to be tried."""
        for name in self._agents:
            where: list[tuple[str, str, str, int]] = []
            for family in ("ipv4", "ipv6"):
                if name == ROUTER:
                    found = {self.router_address(who, family) for who in (*self.addresses, OUTSIDE)}
                elif name == OUTSIDE:
                    found = {*self.outside_addresses[family], UNKNOWN_OUTSIDE[family]}
                else:
                    found = {self.addresses[name][family]}
                where += [
                    (t, family, a, p) for a in sorted(found) for t, p in self.ports if t in {"tcp", "udp"}
                ]
            self._tell(name, {"do": "listen", "where": where})
        for name in self._agents:
            assert self._hear(name) == "listening"
        self._settle()

    def _settle(self) -> None:
        """Before any rule stands, everybody reaches the outside over both families: neighbours are known, links are up."""
        ways = (("icmp", "ipv4"), ("icmpv6", "ipv6"))
        waiting = [
            Attempt(name, OUTSIDE, transport, family, 0, UNKNOWN_OUTSIDE[family])
            for name in self._agents
            if name != OUTSIDE
            for transport, family in ways
        ]
        for _ in range(SETTLING_TURNS):
            waiting = [attempt for attempt, answered in self.try_all(waiting).items() if not answered]
            if not waiting:
                return
        raise AssertionError(f"the lab does not stand: {waiting}")

    def load(self, rules: str) -> None:
        """Give the router its rules."""
        done = _run("ip", "netns", "exec", self._name(ROUTER), "nft", "-f", "-", given=rules)
        assert done.returncode == 0, done.stderr

    def unload(self) -> None:
        """The undo that the rules name."""
        self._inside(ROUTER, "nft", "delete", "table", "inet", TABLE)

    def try_all(self, attempts: list[Attempt]) -> dict[Attempt, bool]:
        """Real packets; whether each was answered."""
        by_room: dict[str, list[Attempt]] = {}
        for attempt in attempts:
            by_room.setdefault(attempt.who, []).append(attempt)
        for name, own in by_room.items():
            whom = [(a.transport, a.family, a.address, a.port) for a in own]
            self._tell(name, {"do": "reach", "whom": whom})
        return {
            attempt: answered
            for name, own in by_room.items()
            for attempt, answered in zip(own, self._hear(name), strict=True)
        }

    def demolish(self) -> None:
        """End what was started, each by its own process, and take the rooms away."""
        for agent in self._agents.values():
            assert agent.stdin is not None
            agent.stdin.close()
            agent.terminate()
            agent.wait(10)
            assert agent.stdout is not None
            agent.stdout.close()
        for name in reversed(self._rooms):
            _run("ip", "netns", "delete", self._name(name))

    def _tell(self, name: str, order: dict[str, Any]) -> None:
        pipe = self._agents[name].stdin
        assert pipe is not None
        pipe.write(json.dumps(order) + "\n")
        pipe.flush()

    def _hear(self, name: str) -> Any:
        pipe = self._agents[name].stdout
        assert pipe is not None
        return json.loads(pipe.readline())

    def _room(self, name: str) -> None:
        done = _run("ip", "netns", "add", self._name(name))
        assert done.returncode == 0, done.stderr
        self._rooms.append(name)
        # Every address here is given out once: waiting for its duplicate would only cost seconds.
        self._inside(
            name, "sysctl", "-q", "-w", "net.ipv6.conf.default.accept_dad=0", "net.ipv6.conf.all.accept_dad=0"
        )
        # Errors are wanted for every attempt, not for one a second (RFC 1812 4.3.2.8 lets a host limit them).
        self._inside(name, "sysctl", "-q", "-w", "net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0")
        self._link(name, "set", "lo", "up")

    def _name(self, name: str) -> str:
        return f"{self._prefix}-{name}"

    def _link(self, name: str, *arguments: str) -> None:
        done = _run("ip", "-n", self._name(name), "link", *arguments)
        assert done.returncode == 0, done.stderr

    def _address(self, name: str, device: str, *addresses: str) -> None:
        for address in addresses:
            nodad = ["nodad"] if ip_address(address.partition("/")[0]).version == 6 else []
            done = _run("ip", "-n", self._name(name), "addr", "add", address, "dev", device, *nodad)
            assert done.returncode == 0, f"{address}: {done.stderr}"

    def _inside(self, name: str, *arguments: str) -> None:
        done = _run("ip", "netns", "exec", self._name(name), *arguments)
        assert done.returncode == 0, f"{arguments}: {done.stderr}"


def outside_addresses(proposal: Proposal) -> dict[str, list[str]]:
    """Every outside address of the recording, and one that no entry names."""
    found: dict[str, dict[str, None]] = {
        family: {UNKNOWN_OUTSIDE[family]: None} for family in ("ipv4", "ipv6")
    }
    for one in proposal.classes.tallies:
        for end in (one.initiator, one.responder):
            if end.kind == "outside":
                found["ipv4" if is_ipv4(end.address) else "ipv6"][format_address(end.address)] = None
    return {family: list(addresses) for family, addresses in found.items()}
