"""
Steady one-way streams of datagrams that no dissector read: most likely pixels, said to be unread.

Some controllers take bare colour values by UDP, without a header that could be
recognised.  What gives such a stream away is its rhythm, its direction and its
size, and these prove no protocol: so the fact says ``unread-udp``, and no rule
calls it lighting data.
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.inventory.facts import Fact, GroupLoadFact
from auditor.inventory.load import is_to_many
from auditor.inventory.network import BROADCAST, GROUP, Network
from auditor.inventory.services import Oriented
from auditor.inventory.sighting import merged_evidence
from auditor.packets.batch import PROTOCOL_UDP
from auditor.units import NS_PER_SECOND

UNREAD = "unread-udp"
MIN_FRAMES = 60  # a second or more of a show; fewer are an exchange
MIN_FRAMES_PER_SECOND = 10.0  # slower is no picture
MAX_FRAMES_PER_SECOND = 400.0  # faster is a file or a call; 60 pictures of six packets stay below
MIN_MEAN_OCTETS = 90  # thirty pixels of three octets
ONE_WAY = 20  # packets forth for each one back at least


def unread_floods(flows: Iterable[Oriented], network: Network, recorded_octets: int) -> list[Fact]:
    """One fact for each sender and whether it goes to groups."""
    found: dict[tuple[str, bool], list[Oriented]] = {}
    for oriented in flows:
        flow = oriented.flow
        if flow.key.protocol != PROTOCOL_UDP or oriented.content is not None or not _is_flood(oriented):
            continue
        receiver = network.party(flow.responder)
        if oriented.client.is_device and (receiver.is_device or receiver.kind in {GROUP, BROADCAST}):
            found.setdefault((oriented.client.device_id, is_to_many(flow.responder)), []).append(oriented)
    facts: list[Fact] = []
    for (device_id, to_many), rows in sorted(found.items()):
        start = min(row.flow.start_ns for row in rows)
        end = max(row.flow.end_ns for row in rows)
        seconds = max((end - start) / NS_PER_SECOND, 1.0)
        octets = sum(row.flow.payload_sent for row in rows)
        facts.append(
            GroupLoadFact(
                device_id=device_id,
                evidence=merged_evidence([[row.flow.first_packet] for row in rows]),
                first_seen_ns=start,
                last_seen_ns=end,
                protocol=UNREAD,
                universes=len(rows),
                frames_per_second=round(sum(row.flow.packets_sent for row in rows) / seconds, 3),
                octets_per_second=round(octets / seconds, 3),
                is_group=to_many,
                share_of_recording=round(min(octets / recorded_octets, 1.0), 6) if recorded_octets else 0.0,
                senders_of_same_universe=1,
                equal_priority=None,
            )
        )
    return facts


def _is_flood(oriented: Oriented) -> bool:
    flow = oriented.flow
    seconds = (flow.end_ns - flow.start_ns) / NS_PER_SECOND
    if oriented.is_reversed or flow.packets_sent < MIN_FRAMES or seconds < 1.0:
        return False
    return (
        flow.packets_received * ONE_WAY <= flow.packets_sent
        and MIN_FRAMES_PER_SECOND <= flow.packets_sent / seconds <= MAX_FRAMES_PER_SECOND
        and flow.payload_sent >= MIN_MEAN_OCTETS * flow.packets_sent
    )
