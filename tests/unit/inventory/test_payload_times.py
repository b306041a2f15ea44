"""
Moments of short payloads against a plain loop over the same packets.

Oracle: ``reference`` below, with ``ipaddress`` of the standard library for what is private.
"""

import ipaddress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.addresses import format_address
from auditor.inventory import payload_times
from auditor.inventory.payload_times import BUCKET_NS, MAX_SHORT_OCTETS, PayloadTimes
from auditor.packets.batch import PacketBatch

ADDRESSES = [
    "192.168.77.21", "10.1.2.3", "172.16.0.9", "172.32.0.9", "169.254.1.1", "198.51.100.80", "203.0.113.5",
    "fd00:77::21", "fe80::1", "2001:db8:77::21", "2001:db8:100::80",
]  # fmt: skip
HOME_PREFIXES = [
    ipaddress.ip_network(prefix)
    for prefix in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "fc00::/7", "fe80::/10")
]


def is_home(text):
    address = ipaddress.ip_address(text)
    return any(address.version == prefix.version and address in prefix for prefix in HOME_PREFIXES)


def words(text):
    packed = ipaddress.ip_address(text).packed
    packed = bytes(10) + b"\xff\xff" + packed if len(packed) == 4 else packed
    return int.from_bytes(packed[:8], "little"), int.from_bytes(packed[8:], "little")


def kind_of(name):
    if name.endswith(("_link", "_high", "_low")):
        return np.uint64
    return np.uint16 if name.endswith("_port") else np.int64


def batch_of(packets):
    """A batch whose columns hold what the packets say and zeros otherwise."""
    columns = {
        name: np.zeros(len(packets), kind_of(name)) for name in PacketBatch.__slots__ if name != "buffer"
    }
    for row, (time_ns, source, destination, port, size, payload) in enumerate(packets):
        columns["timestamp_ns"][row] = time_ns
        columns["packet_number"][row] = row + 1
        columns["source_high"][row], columns["source_low"][row] = words(source)
        columns["destination_high"][row], columns["destination_low"][row] = words(destination)
        columns["source_port"][row], columns["destination_port"][row] = 443, port
        columns["original_length"][row], columns["payload_length"][row] = size, payload
        columns["protocol"][row] = 6
    return PacketBatch(buffer=bytearray(), **columns)


def reference(packets):
    """(source, destination, port) to the first moment of each bucket."""
    found = {}
    for time_ns, source, destination, port, size, payload in packets:
        if payload and size < MAX_SHORT_OCTETS and not (is_home(source) and is_home(destination)):
            buckets = found.setdefault((source, destination, port), {})
            buckets.setdefault(time_ns // BUCKET_NS, time_ns)
    return {key: sorted(buckets.values()) for key, buckets in found.items()}


def kept(times):
    return {
        (
            format_address(flow.source.address),
            format_address(flow.destination.address),
            flow.destination.port,
        ): (flow.moments_ns.tolist())
        for flow in times.flows()
    }


packet = st.tuples(
    st.integers(0, 40).map(lambda step: step * 100_000_000),
    st.sampled_from(ADDRESSES),
    st.sampled_from(ADDRESSES),
    st.integers(1, 3),
    st.sampled_from([60, MAX_SHORT_OCTETS - 1, MAX_SHORT_OCTETS, 1514]),
    st.sampled_from([0, 1, 500]),
).filter(lambda made: (":" in made[1]) == (":" in made[2]))


@settings(max_examples=60)
@given(st.lists(packet, max_size=40))
def test_one_moment_of_each_flow_and_bucket(packets):
    packets.sort(key=lambda made: made[0])
    times = PayloadTimes()
    times.add(batch_of(packets))

    assert kept(times) == reference(packets)


def test_where_the_table_is_full_the_time_is_kept(monkeypatch):
    monkeypatch.setattr(payload_times, "MAX_MOMENTS", 3)
    times = PayloadTimes()
    for second in range(5):
        made = [(second * 10**9, "198.51.100.80", "192.168.77.21", 1, 100, 40)]
        times.add(batch_of(made))

    assert times.complete_until_ns == 3 * 10**9
    assert times.overflow == 2
    [moments] = kept(times).values()
    assert moments == [0, 10**9, 2 * 10**9]


@pytest.mark.parametrize("limit", [0, 2])
def test_flows_beyond_the_bound_are_counted(monkeypatch, limit):
    monkeypatch.setattr(payload_times, "MAX_TIMED_FLOWS", limit)
    times = PayloadTimes()
    times.add(batch_of([(0, "198.51.100.80", "192.168.77.21", port, 100, 40) for port in range(5)]))

    assert len(kept(times)) == limit
    assert times.overflow == 5 - limit


def test_ends_that_differ_in_their_last_octets_are_told_apart_whatever_the_secrets():
    """Both last octets differ by one power of two: unfolded, a fourth of all multipliers joined such flows."""
    packets = [
        (0, f"192.168.77.{14 + step}", f"198.51.100.{14 + step}", 50_000, 100, 40)
        for step in (0, 32, 64, 128)
    ]
    for _ in range(30):
        times = PayloadTimes()
        times.add(batch_of(packets))
        assert len(kept(times)) == len(packets)
