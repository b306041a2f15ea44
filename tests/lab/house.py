"""
A home network of namespaces: a bridge in a router's namespace, devices as namespaces on it, an outside behind the router.

Each namespace has its own name space of processes' networks only: what runs in them is started by this module and ended by its
process number.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

TOOLS = ("ip", "tcpdump")  # what every recording needs
ROOT = Path(__file__).parents[2]
READY_SECONDS = 20  # two cores that run other tests beside the lab start an interpreter in seconds
ACT_SECONDS = 60  # an act that hangs ends the recording with what it said so far
# With packets handed on at once, libpcap keeps a slot of 256 KiB for each, of 2 MiB eight: too few where two cores
# run other tests besides and the recorder has to wait (13 packets were dropped so).
BUFFER_KIBIBYTES = 65_536
QUIET_SECONDS = 0.3  # a recorder that wrote nothing for this long has nothing left to write
_numbers = itertools.count()


def require(*tools: str) -> None:
    """Skip with a plain reason where the lab cannot be; fail on a build machine, which has to have it."""
    missing = [tool for tool in (*TOOLS, *tools) if shutil.which(tool) is None]
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
        [str(argument) for argument in arguments],
        capture_output=True, text=True, check=False, timeout=ACT_SECONDS, stdin=subprocess.DEVNULL,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Deed:
    """One act by the actor's own account."""

    started_ns: int
    ended_ns: int
    said: Any
    """What the role returned, or what a program printed."""
    status: int = 0


@dataclass(slots=True)
class House:
    """Namespaces and the processes in them."""

    folder: Path
    _prefix: str = field(default_factory=lambda: f"lab{os.getpid()}x{next(_numbers)}")
    _rooms: list[str] = field(default_factory=list)
    _processes: list[subprocess.Popen[bytes]] = field(default_factory=list)
    _logs: list[Path] = field(default_factory=list)
    _started_ns: list[int] = field(default_factory=list)

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
        self.add_room("router")
        router = self.room("router")
        self.ip("-n", router, "link", "add", "br0", "address", "02:00:5e:10:00:01", "type", "bridge")
        self.ip("-n", router, "addr", "add", "192.168.77.1/24", "broadcast", "+", "dev", "br0")
        self.ip("-n", router, "link", "set", "br0", "up")
        self.inside("router", "sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward")

    def move_in(self, name: str, link_address: str, address: str | None) -> None:
        """A device on the bridge; without an address until it has asked for one."""
        self.add_room(name)
        self.plug(name, link_address, at=("router", "br0"))
        if address:
            self.settle(name, address)

    def plug(self, name: str, link_address: str, *, at: tuple[str, str]) -> None:
        """Connect a room with a bridge of another room; its interface is eth0, without an address."""
        room, bridge = at
        port = f"p-{name}"[:15]
        self.ip(
            "-n", self.room(room), "link", "add", port, "type", "veth",
            "peer", "name", "eth0", "netns", self.room(name),
        )  # fmt: skip
        self.ip("-n", self.room(name), "link", "set", "eth0", "address", link_address)
        self.ip("-n", self.room(room), "link", "set", port, "master", bridge, "up")
        self.ip("-n", self.room(name), "link", "set", "eth0", "up")

    def unplug(self, name: str) -> None:
        """Take a room's interface away, addresses and ways with it."""
        self.ip("-n", self.room(name), "link", "delete", "eth0")

    def settle(self, name: str, address: str) -> None:
        """Take an address, the first of its network as the way out, the network as the way for groups."""
        room = self.room(name)
        gateway = f"{address.rpartition('.')[0]}.1"
        self.ip("-n", room, "addr", "add", f"{address}/24", "broadcast", "+", "dev", "eth0")
        self.ip("-n", room, "route", "add", "default", "via", gateway)
        self.ip("-n", room, "route", "add", "224.0.0.0/4", "dev", "eth0")

    def outside(self, address: str) -> None:
        """A network behind the router with one server."""
        self.add_room("outside")
        router, outside = self.room("router"), self.room("outside")
        self.ip("-n", router, "link", "add", "wan", "type", "veth", "peer", "name", "eth0", "netns", outside)
        self.ip("-n", router, "addr", "add", "198.51.100.1/24", "dev", "wan")
        self.ip("-n", router, "link", "set", "wan", "up")
        self.ip("-n", outside, "addr", "add", f"{address}/24", "dev", "eth0")
        self.ip("-n", outside, "link", "set", "eth0", "up")
        self.ip("-n", outside, "route", "add", "default", "via", "198.51.100.1")

    def add_room(self, name: str) -> None:
        """A namespace with its loopback."""
        self.ip("netns", "add", self.room(name))
        self._rooms.append(name)
        self.ip("-n", self.room(name), "link", "set", "lo", "up")

    def inside(self, name: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """Run a program in a room to its end."""
        return _run("ip", "netns", "exec", self.room(name), *arguments)

    def role(self, name: str, *arguments: str | Path) -> Deed:
        """Perform a role of ``tests.lab.roles`` in a room to its end; it has to succeed."""
        started = time.time_ns()
        done = self.inside(
            name, "env", f"PYTHONPATH={ROOT}", sys.executable, "-m", "tests.lab.perform", *arguments
        )
        if done.returncode:
            raise RuntimeError(f"{name}: {' '.join(map(str, arguments))}: {done.stderr}")
        return Deed(started, time.time_ns(), json.loads(done.stdout.splitlines()[-1]))

    def act(self, name: str, *arguments: str | Path) -> Deed:
        """Run a program in a room to its end, however it ends."""
        started = time.time_ns()
        done = self.inside(name, *arguments)
        return Deed(started, time.time_ns(), done.stdout + done.stderr, done.returncode)

    def record(
        self, capture: Path, *, interface: str = "br0", link_type: str | None = None, name: str = "router"
    ) -> None:
        """Record into a file until the house is demolished."""
        chosen = [] if link_type is None else ["-y", link_type]
        self.start(
            name, "tcpdump", "-i", interface, *chosen, "-B", str(BUFFER_KIBIBYTES), "-U", "--immediate-mode",
            "-Z", "root", "-w", capture, ready="listening on",
        )  # fmt: skip

    def wait_until(self, name: str, *arguments: str, holds: str) -> None:
        """Ask a program in a room until its answer holds a text."""
        end = time.monotonic() + READY_SECONDS
        while holds not in self.inside(name, *arguments).stdout:
            if time.monotonic() > end:
                raise RuntimeError(f"{name}: {' '.join(arguments)} never said {holds}")
            time.sleep(0.05)

    def start(self, name: str, *arguments: str | Path, ready: str | None = None) -> None:
        """Start a program in a room and wait until its output holds ``ready``."""
        started = time.time_ns()
        log = self.folder / f"{name}-{len(self._logs)}.log"
        with log.open("wb") as output:
            process = subprocess.Popen(
                ["ip", "netns", "exec", self.room(name), *map(str, arguments)],
                stdout=output, stderr=subprocess.STDOUT, stdin=subprocess.PIPE, cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
        self._processes.append(process)
        self._logs.append(log)
        self._started_ns.append(started)
        end = time.monotonic() + READY_SECONDS
        while ready is not None and ready not in log.read_text("utf-8", "replace"):
            if process.poll() is not None or time.monotonic() > end:
                raise RuntimeError(
                    f"{name}: {arguments[0]} is not ready: {log.read_text('utf-8', 'replace')}"
                )
            time.sleep(0.05)

    def start_role(self, name: str, *arguments: str | Path) -> None:
        """Start a server of ``tests.lab.roles``, which says ``ready``."""
        self.start(name, sys.executable, "-m", "tests.lab.perform", *arguments, ready="ready")

    def await_last(self) -> Deed:
        """Let the role that was started last go on to its own end; its account."""
        process, log, started = self._processes[-1], self._logs[-1], self._started_ns[-1]
        process.wait(ACT_SECONDS)
        lines = log.read_text("utf-8", "replace").splitlines()
        if process.returncode:
            raise RuntimeError("\n".join(lines))
        return Deed(started, time.time_ns(), json.loads(lines[-1]))

    def stop_last(self) -> None:
        """End the program that was started last."""
        _end(self._processes.pop())

    def demolish(self) -> None:
        """End what was started, in the other order, and take the rooms away."""
        while self._processes:
            self.stop_last()
        for name in reversed(self._rooms):
            # What went to the background in a namespace of this house was started by it.
            for number in _run("ip", "netns", "pids", self.room(name)).stdout.split():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(int(number), signal.SIGKILL)
            _run("ip", "netns", "delete", self.room(name))


def settle(capture: Path) -> None:
    """Wait until a recorder has written what was sent."""
    size, since = -1, time.monotonic()
    end = since + READY_SECONDS
    while time.monotonic() - since < QUIET_SECONDS and time.monotonic() < end:
        now = capture.stat().st_size
        if now != size:
            size, since = now, time.monotonic()
        time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.stdin is not None:
        process.stdin.close()  # open until here: some servers end with their input
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)
