"""
Confusion, measured: no dissector claims what belongs to another protocol, nor noise.

Samples: the first octets of every message in the shipped recordings, by the protocol that was read; noise from a fixed
seed.  A row that is tried on any port must refuse them all by ``looks_like`` or by its parser.
"""

import random
from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest

import auditor
from auditor.dissect.message import Envelope
from auditor.dissect.registry import Conversation
from auditor.dissect.table import DISSECTORS
from auditor.errors import DecodeError
from auditor.wire import Cursor

CAPTURES = sorted((Path(__file__).resolve().parents[2] / "captures").glob("*.pcapng"))
SAMPLES_OF_ONE = 40
SHARED = {frozenset({"domain", "mdns"}), frozenset({"http", "websocket"}), frozenset({"http", "http2"})}
"""Pairs that share octets by their standards: mDNS is DNS (RFC 6762), an upgrade begins as HTTP (RFC 6455, RFC 9113)."""


@cache
def samples() -> dict[str, dict[str, list[bytes]]]:
    """Payloads in which a message begins, by transport and protocol."""
    found: dict[str, dict[str, list[bytes]]] = {"udp": defaultdict(list), "tcp": defaultdict(list)}
    transports = {17: "udp", 6: "tcp"}
    for path in CAPTURES:
        begins = {
            item.packet.packet_number: item.protocol
            for item in auditor.read_messages(path)
            if isinstance(item, Envelope) and item.flow.protocol in transports
        }
        for batch in auditor.open_capture(path):
            for row, number in enumerate(batch.packet_number.tolist()):
                protocol = begins.get(number)
                transport = transports.get(int(batch.protocol[row]))
                if protocol is None or transport is None:
                    continue
                kept = found[transport][protocol]
                payload = batch.payload(row)
                if payload and payload not in kept and len(kept) < SAMPLES_OF_ONE:
                    kept.append(payload)
    return found


def claims(row, octets: bytes) -> bool:
    if not row.looks_like(octets[:64]):
        return False
    try:
        if row.parse_datagram is not None:
            row.parse_datagram(Cursor(octets))
        else:
            row.parse_stream(Cursor(octets), True, Conversation())
    except DecodeError:
        return False
    return True


def test_there_are_samples_of_many_protocols():
    assert len(samples()["udp"]) >= 8
    assert len(samples()["tcp"]) >= 5


@pytest.mark.parametrize("transport", ["udp", "tcp"])
def test_nobody_claims_the_octets_of_another(transport):
    wrong = []
    for row in DISSECTORS:
        if row.transport != transport or not row.any_port:
            continue
        for protocol, octets_of_one in samples()[transport].items():
            if protocol == row.name or frozenset({protocol, row.name}) in SHARED:
                continue
            wrong += [(row.name, protocol, octets[:16]) for octets in octets_of_one if claims(row, octets)]

    assert wrong == []


# Rows of other transports are told by a protocol number or frame type before any octet is looked at.
@pytest.mark.parametrize(
    "row",
    [row for row in DISSECTORS if row.any_port and row.transport in {"tcp", "udp"}],
    ids=lambda row: f"{row.name}-{row.transport}",
)
def test_nobody_claims_noise(row):
    noise = random.Random(20_26)
    claimed = sum(claims(row, noise.randbytes(noise.randint(16, 400))) for _ in range(3_000))

    assert claimed == 0
