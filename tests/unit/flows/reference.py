"""Flows in plain dictionaries, one packet after the other: slow, and easy to check by eye against RFC 5103."""

import statistics
from itertools import pairwise

from auditor.addresses import parse_address, parse_link
from auditor.flows.orientation import GRACE_NS
from auditor.flows.rhythm import BURST_GAP_NS, MIN_STARTS
from auditor.packets.batch import ETHERTYPE_ARP, ETHERTYPE_IPV4, PROTOCOL_TCP
from tests.unit.flows.columns import START, Packet


def end(packet: Packet, *, of_source: bool):
    if of_source:
        return parse_link(packet.source_link), parse_address(packet.source), packet.source_port
    return parse_link(packet.destination_link), parse_address(packet.destination), packet.destination_port


def is_one_way(packet: Packet) -> bool:
    return packet.ethertype == ETHERTYPE_ARP or int(packet.destination_link[:2], 16) & 1 == 1


def server_end(ends):
    """Which of two ends is a service by its port alone, the surest range first; None where that does not tell."""
    (_, _, first), (_, _, second) = ends
    for bound in (1024, 49152, 32768):
        if first < bound <= second:
            return ends[0]
        if second < bound <= first:
            return ends[1]
    return None


def orient(packets, start):
    """Initiator, responder, how sure, and the outcome."""
    first = packets[0]
    ends = [end(first, of_source=True), end(first, of_source=False)]
    if is_one_way(first):
        return (*ends, "proven", "unanswered")
    server = server_end(ends)
    if first.protocol != PROTOCOL_TCP:
        known = "proven" if first.at - start > GRACE_NS else "likely"
        if server == ends[0]:
            ends, known = ends[::-1], "likely"
        answered = any(end(packet, of_source=True) == ends[1] for packet in packets)
        return (*ends, known, "established" if answered else "unanswered")
    opened = {end(p, of_source=True) for p in packets if "S" in p.flags and "A" not in p.flags}
    accepted = {end(p, of_source=True) for p in packets if "S" in p.flags and "A" in p.flags}
    claims = [e for e in ends if e in opened or ends[1 - ends.index(e)] in accepted]
    if len(claims) == 2 and len(opened) == 1:
        claims = list(opened)
    if claims:
        initiator, known = claims[0], "proven"
    elif server:
        initiator, known = ends[1 - ends.index(server)], "likely"
    else:
        initiator, known = ends[0], "unknown"
    responder = ends[1 - ends.index(initiator)]
    answers = [packet for packet in packets if end(packet, of_source=True) == responder]
    if responder in accepted:
        outcome = "established"
    elif initiator not in opened:
        outcome = "mid-stream"
    elif any("R" in packet.flags for packet in answers):
        outcome = "refused"
    else:
        outcome = "established" if answers else "unanswered"
    return initiator, responder, known, outcome


def connections_of(packets, sender):
    numbers = [p.sequence for p in packets if "S" in p.flags and end(p, of_source=True) == sender]
    return bool(numbers) + sum(a != b for a, b in pairwise(numbers))


def starts_by_conversation(packets):
    last, starts = {}, {}
    for packet in packets:
        if packet.ethertype == ETHERTYPE_ARP:
            continue
        is_tcp = packet.protocol == PROTOCOL_TCP
        if is_tcp and ("S" not in packet.flags or "A" in packet.flags):
            continue
        if not is_tcp and packet.source_port < 1024 <= packet.destination_port:
            continue
        key = (packet.source, packet.destination, packet.destination_port, packet.protocol)
        tag = (packet.source_port, packet.sequence)
        before = last.get(key)
        if before is None or (packet.at - before[0] >= BURST_GAP_NS and (not is_tcp or tag != before[1])):
            starts.setdefault(key, []).append(packet.at)
        last[key] = (packet.at, tag)
    return {(parse_address(a), parse_address(b), port, kind): s for (a, b, port, kind), s in starts.items()}


def period_of(starts):
    if len(starts) < MIN_STARTS:
        return None
    intervals = [b - a for a, b in pairwise(starts)]
    median = statistics.median(intervals)
    return (
        round(median / 1e9, 6),
        round(statistics.median(abs(value - median) for value in intervals) / 1e9, 6),
        len(starts),
    )


def reference_flows(packets):
    """What ``describe`` gives of each flow, in order; packets are numbered from 1."""
    groups = {}
    for number, packet in enumerate(packets, 1):
        ends = (end(packet, of_source=True), end(packet, of_source=False))
        kind = (packet.protocol, packet.ethertype)
        key = (kind, ends) if is_one_way(packet) else (kind, frozenset(ends))
        groups.setdefault(key, []).append((number, packet))
    starts = starts_by_conversation(packets)
    recording_start = min((packet.at for packet in packets), default=0)
    flows = []
    for members in groups.values():
        inside = [packet for _, packet in members]
        initiator, responder, known, outcome = orient(inside, recording_start)
        sent = [packet for packet in inside if end(packet, of_source=True) == initiator]
        received = [packet for packet in inside if end(packet, of_source=True) != initiator]
        conversation = (initiator[1], responder[1], responder[2], inside[0].protocol)
        flows.append(
            (
                START + min(packet.at for packet in inside),
                START + max(packet.at for packet in inside),
                members[0][0],
                initiator,
                responder,
                inside[0].protocol,
                inside[0].ethertype or ETHERTYPE_IPV4,
                known,
                outcome,
                (len(sent), len(received)),
                (sum(34 + len(p.payload) for p in sent), sum(34 + len(p.payload) for p in received)),
                (sum(len(p.payload) for p in sent), sum(len(p.payload) for p in received)),
                max(1, connections_of(inside, initiator), connections_of(inside, responder)),
                period_of(starts.get(conversation, [])),
            )
        )
    return sorted(flows, key=lambda flow: (flow[0], flow[2]))


def describe(flow):
    """A flow in the form of ``reference_flows``."""
    period = flow.period
    return (
        flow.start_ns,
        flow.end_ns,
        flow.first_packet.packet_number,
        tuple(flow.initiator),
        tuple(flow.responder),
        flow.key.protocol,
        flow.key.ethertype,
        flow.initiator_known.value,
        flow.outcome.value,
        (flow.packets_sent, flow.packets_received),
        (flow.octets_sent, flow.octets_received),
        (flow.payload_sent, flow.payload_received),
        flow.connections,
        period and (round(period.median_seconds, 6), round(period.jitter_seconds, 6), period.count),
    )
