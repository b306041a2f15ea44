"""Runs in a room: listens where it is told, and tries to reach others with real packets; JSON lines in and out."""

from __future__ import annotations

import itertools
import json
import os
import socket
import struct
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Any

WAIT_SECONDS = 0.8
FRAGMENTED_OCTETS = 4_000  # three frames of an Ethernet
NUMBERS = itertools.count()
FAMILIES = {"ipv4": socket.AF_INET, "ipv6": socket.AF_INET6}


def listen(transport: str, family: str, address: str, port: int) -> None:
    """Answer whoever comes."""
    kind = socket.SOCK_STREAM if transport == "tcp" else socket.SOCK_DGRAM
    server = socket.socket(FAMILIES[family], kind)
    server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    server.bind((address, port))
    if transport == "tcp":
        server.listen(64)
    threading.Thread(target=_serve, args=(server, transport), daemon=True).start()


def _serve(server: socket.socket, transport: str) -> None:
    while True:
        if transport == "tcp":
            connection, _ = server.accept()
            connection.sendall(b"answer")
            connection.close()
        else:
            octets, peer = server.recvfrom(65_535)
            server.sendto(octets, peer)


def reach(number: int, transport: str, family: str, address: str, port: int) -> bool:
    """
    Whether an answer came.

    ``udp-fragments``: a question that no single frame holds; ``udp-error``: the answer is the error that nobody listens.
    """
    try:
        if transport in {"icmp", "icmpv6"}:
            return _echo(number, family, address)
        if transport.startswith("udp-"):
            return _datagram(FAMILIES[family], (address, port), is_error=transport == "udp-error")
        kind = socket.SOCK_STREAM if transport == "tcp" else socket.SOCK_DGRAM
        with socket.socket(FAMILIES[family], kind) as client:
            client.settimeout(WAIT_SECONDS)
            client.connect((address, port))
            if transport == "udp":
                client.send(b"question")
            return bool(client.recv(64))
    except OSError:
        return False


def _datagram(family: int, target: tuple[str, int], *, is_error: bool) -> bool:
    """Fragments both ways (RFC 791 3.2, RFC 8200 4.5), or port unreachable (RFC 792 type 3 code 3, RFC 4443 3.1)."""
    with socket.socket(family, socket.SOCK_DGRAM) as client:
        client.settimeout(WAIT_SECONDS)
        client.connect(target)
        client.send(b"question" if is_error else bytes(FRAGMENTED_OCTETS))
        try:
            return len(client.recv(65_535)) == FRAGMENTED_OCTETS and not is_error
        except ConnectionRefusedError:
            return is_error


def _echo(number: int, family: str, address: str) -> bool:
    """One echo request (RFC 792, RFC 4443 4.1) with its own identifier."""
    protocol = socket.IPPROTO_ICMP if family == "ipv4" else socket.IPPROTO_ICMPV6
    kind, reply = (8, 0) if family == "ipv4" else (128, 129)
    identifier = (os.getpid() + number) & 0xFFFF
    body = struct.pack("!HH", identifier, 1) + b"twelve bytes"
    message = struct.pack("!BBH", kind, 0, _checksum(bytes((kind, 0, 0, 0)) + body)) + body
    with socket.socket(FAMILIES[family], socket.SOCK_RAW, protocol) as raw:
        raw.settimeout(WAIT_SECONDS)
        raw.sendto(message, (address, 0))
        for _ in range(200):
            octets = raw.recv(2048)
            start = (octets[0] & 0x0F) * 4 if family == "ipv4" else 0
            if octets[start] == reply and octets[start + 4 : start + 6] == struct.pack("!H", identifier):
                return True
    return False


def _checksum(octets: bytes) -> int:
    """RFC 1071."""
    total = sum(struct.unpack(f"!{len(octets) // 2}H", octets))
    total = (total & 0xFFFF) + (total >> 16)
    return ~(total + (total >> 16)) & 0xFFFF


def main() -> None:
    """Orders come one a line; a batch of attempts is answered by one line."""
    print(json.dumps("ready"), flush=True)
    with ThreadPoolExecutor(32) as pool:
        for line in sys.stdin:
            order: dict[str, Any] = json.loads(line)
            if order["do"] == "listen":
                for where in order["where"]:
                    listen(*where)
                print(json.dumps("listening"), flush=True)
            else:
                # A number is used once: an echo with an old identifier belongs to an old conversation, which passes by state.
                done = pool.map(lambda item: reach(next(NUMBERS), *item), order["whom"])
                print(json.dumps(list(done)), flush=True)


if __name__ == "__main__":
    main()
