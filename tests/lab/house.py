"""
A home network of namespaces: a bridge in a router's namespace, devices as namespaces on it, an outside behind the router.

Each namespace has its own name space of processes' networks only: what runs in them is started by this module and ended by its
process number.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

TOOLS = ("ip", "tcpdump", "dnsmasq", "udhcpc", "mosquitto", "mosquitto_passwd", "mosquitto_pub", "chronyd")
ROOT = Path(__file__).parents[2]
READY_SECONDS = 10


def require() -> None:
    """Skip with a plain reason where the lab cannot be; fail on a build machine, which has to have it."""
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    reason = (
        "the lab needs root" if os.geteuid() else f"the lab needs {', '.join(missing)}" if missing else None
    )
    if reason is None and _run("ip", "netns", "add", f"try{os.getpid()}").returncode:
        reason = "the lab needs network namespaces"
    if reason is None:
        _run("ip", "netns", "delete", f"try{os.getpid()}")
        return
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def _run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(argument) for argument in arguments], capture_output=True, text=True, check=False, timeout=60
    )


@dataclass(slots=True)
class House:
    """Namespaces and the processes in them."""

    folder: Path
    _prefix: str = field(default_factory=lambda: f"lab{os.getpid()}")
    _rooms: list[str] = field(default_factory=list)
    _processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def ip(self, *arguments: str) -> None:
        """Run ``ip``; a failure ends the lab with what it said."""
        done = _run("ip", *arguments)
        if done.returncode:
            raise RuntimeError(f"ip {' '.join(arguments)}: {done.stderr}")

    def room(self, name: str) -> str:
        """The namespace of a room."""
        return f"{self._prefix}-{name}"

    def build(self) -> None:
        """The router with its bridge, forwarding on."""
        self._add("router")
        router = self.room("router")
        self.ip("-n", router, "link", "add", "br0", "address", "02:00:5e:10:00:01", "type", "bridge")
        self.ip("-n", router, "addr", "add", "192.168.77.1/24", "broadcast", "+", "dev", "br0")
        self.ip("-n", router, "link", "set", "br0", "up")
        self.inside("router", "sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward")

    def move_in(self, name: str, link_address: str, address: str | None) -> None:
        """A device on the bridge; without an address until it has asked for one."""
        self._add(name)
        port = f"p-{name}"[:15]
        self.ip(
            "-n",
            self.room("router"),
            "link",
            "add",
            port,
            "type",
            "veth",
            "peer",
            "name",
            "eth0",
            "netns",
            self.room(name),
        )
        self.ip("-n", self.room(name), "link", "set", "eth0", "address", link_address)
        self.ip("-n", self.room("router"), "link", "set", port, "master", "br0", "up")
        self.ip("-n", self.room(name), "link", "set", "eth0", "up")
        if address:
            self.settle(name, address)

    def settle(self, name: str, address: str) -> None:
        """Take an address, the router as the way out, the home as the way for groups."""
        room = self.room(name)
        self.ip("-n", room, "addr", "add", f"{address}/24", "broadcast", "+", "dev", "eth0")
        self.ip("-n", room, "route", "add", "default", "via", "192.168.77.1")
        self.ip("-n", room, "route", "add", "224.0.0.0/4", "dev", "eth0")

    def outside(self, address: str) -> None:
        """A network behind the router with one server."""
        self._add("outside")
        router, outside = self.room("router"), self.room("outside")
        self.ip("-n", router, "link", "add", "wan", "type", "veth", "peer", "name", "eth0", "netns", outside)
        self.ip("-n", router, "addr", "add", "198.51.100.1/24", "dev", "wan")
        self.ip("-n", router, "link", "set", "wan", "up")
        self.ip("-n", outside, "addr", "add", f"{address}/24", "dev", "eth0")
        self.ip("-n", outside, "link", "set", "eth0", "up")
        self.ip("-n", outside, "route", "add", "default", "via", "198.51.100.1")

    def _add(self, name: str) -> None:
        self.ip("netns", "add", self.room(name))
        self._rooms.append(name)
        self.ip("-n", self.room(name), "link", "set", "lo", "up")

    def inside(self, name: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Run a program in a room to its end."""
        return _run("ip", "netns", "exec", self.room(name), *arguments)

    def role(self, name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run one of ``tests.lab.roles`` in a room to its end; it has to succeed."""
        done = self.inside(
            name, "env", f"PYTHONPATH={ROOT}", sys.executable, "-m", "tests.lab.roles", *arguments
        )
        if done.returncode:
            raise RuntimeError(f"{name}: {' '.join(arguments)}: {done.stderr}")
        return done

    def start(self, name: str, *arguments: str | Path, ready: str | None = None) -> None:
        """Start a program in a room and wait until its output holds ``ready``."""
        log = self.folder / f"{name}-{len(self._processes)}.log"
        with log.open("wb") as output:
            process = subprocess.Popen(
                ["ip", "netns", "exec", self.room(name), *map(str, arguments)],
                stdout=output, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
        self._processes.append(process)
        end = time.monotonic() + READY_SECONDS
        while ready is not None and ready not in log.read_text("utf-8", "replace"):
            if process.poll() is not None or time.monotonic() > end:
                raise RuntimeError(
                    f"{name}: {arguments[0]} is not ready: {log.read_text('utf-8', 'replace')}"
                )
            time.sleep(0.05)

    def start_role(self, name: str, *arguments: str) -> None:
        """Start one of ``tests.lab.roles``, which says ``ready``."""
        self.start(name, sys.executable, "-m", "tests.lab.roles", *arguments, ready="ready")

    def stop_last(self) -> None:
        """End the program that was started last."""
        _end(self._processes.pop())

    def demolish(self) -> None:
        """End what was started, in the other order, and take the rooms away."""
        while self._processes:
            self.stop_last()
        for name in reversed(self._rooms):
            _run("ip", "netns", "delete", self.room(name))


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)
