"""A light that echoes, and somebody who calls."""

from __future__ import annotations

import socket

ECHO_PORT = 7  # RFC 862


def echo(address: str) -> None:
    """Send back what comes."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    listening.bind((address, ECHO_PORT))
    print("ready", flush=True)
    while True:
        said, peer = listening.recvfrom(2048)
        listening.sendto(said, peer)


def call(address: str) -> int:
    """Call twice; how often something came back."""
    calling = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    calling.settimeout(5)
    calling.connect((address, ECHO_PORT))
    for number in range(2):
        calling.send(bytes([number]) * 16)
        calling.recv(2048)
    return 2
