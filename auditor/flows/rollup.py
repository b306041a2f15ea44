"""From one-way rows to the columns of two-way flows, sorted by their first packet."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.flows.flow import Path
from auditor.flows.keys import Int64, KeyTable, UInt64, run_starts
from auditor.flows.orientation import (
    REFUSED,
    UNANSWERED,
    FlowFields,
    is_folded,
    orient,
)
from auditor.flows.pairing import Pairing, pair_rows
from auditor.flows.refusals import Refusals, attempt_keys
from auditor.flows.rhythm import MIN_STARTS, RhythmTable
from auditor.flows.rows import (
    DESTINATION_HIGH,
    DESTINATION_LINK,
    DESTINATION_LOW,
    FOLDED,
    PORTS,
    SOURCE_HIGH,
    SOURCE_LINK,
    SOURCE_LOW,
    FlowRows,
    conversation_keys,
)
from auditor.flows.ways import Ways, add_up, first_way
from auditor.packets.batch import PROTOCOL_ICMP, PROTOCOL_ICMPV6, link_from_word

MAX_FLOWS_PER_CONVERSATION = 32
"""Flows of one conversation (same ends, same service) that stay apart; the others become one row for each
outcome.  A poller that connects each second makes 86,400 flows a day, and the first few show what there is
to see."""

MAX_PATHS_PER_FLOW = 8
"""Further recording points shown of one flow: a home has a router and perhaps two switches that mirror."""

Columns = dict[str, npt.NDArray[Any]]

_SUMS = ("packets_sent", "packets_received", "octets_sent", "octets_received", "payload_sent",
         "payload_received", "duplicates", "connections", "unrecorded_sent",
         "unrecorded_received")  # fmt: skip


def roll_up(rows: FlowRows, refusals: Refusals, rhythms: RhythmTable, recording_start_ns: int) -> Columns:
    """
    Columns of all flows; see ``FlowTable.columns`` for their meaning.
    """
    pairing = pair_rows(rows)
    ways = add_up(rows, pairing)
    # A flow of which only copies remain belongs to traffic that is counted elsewhere.
    fields = _flow_fields(pairing, ways)
    orientation = orient(ways, fields, recording_start_ns)
    columns = _assemble(rows, pairing, ways, fields, orientation.initiator_way)
    columns["initiator_known"] = orientation.known
    columns["outcome"] = orientation.outcome
    columns["folded"] = is_folded(ways)
    _add_refusals(columns, refusals)
    _add_periods(columns, rhythms)
    has_originals = ways.packets.sum(axis=0) > 0
    del pairing, ways, fields, orientation  # together as large as the columns made of them
    if not has_originals.all():
        _take(columns, np.flatnonzero(has_originals))
    return _fold_conversations(_sorted(columns))


def _take(columns: Columns, rows: Int64) -> None:
    """Choose or reorder entries column by column: twice all columns at once would be the peak of an audit."""
    for name in columns:
        columns[name] = columns[name][rows]


def _flow_fields(pairing: Pairing, ways: Ways) -> FlowFields:
    fields = pairing.fields
    forward_row, backward_row = ways.row
    has_forward = forward_row >= 0
    row = np.where(has_forward, forward_row, backward_row)
    source, destination = fields.source_port[row], fields.destination_port[row]
    protocol = fields.protocol[row]
    request = np.where(protocol == PROTOCOL_ICMP, 8, 128)
    is_one_way = pairing.is_one_way[row]
    is_icmp = (protocol == PROTOCOL_ICMP) | (protocol == PROTOCOL_ICMPV6)
    return FlowFields(
        protocol=protocol,
        source_port=np.where(has_forward, source, destination),
        destination_port=np.where(has_forward, destination, source),
        is_echo=is_icmp & ~is_one_way,
        echo_way=((source == request) != has_forward).astype(np.int64),
        is_one_way=is_one_way,
    )


def _assemble(
    rows: FlowRows, pairing: Pairing, ways: Ways, fields: FlowFields, initiator_way: Int64
) -> Columns:
    keys = rows.keys.keys
    index = np.arange(pairing.flow_count)
    sent, received = initiator_way, 1 - initiator_way
    sent_row, received_row = ways.row[sent, index], ways.row[received, index]
    has_sent = sent_row >= 0
    row = np.where(has_sent, sent_row, received_row)  # where only answers were recorded: the answer, turned

    def end(at_source: UInt64, at_destination: UInt64) -> UInt64:
        return np.where(has_sent, at_source[row], at_destination[row])

    source_link, destination_link = pairing.fields.source_link, pairing.fields.destination_link
    earliest_way = first_way(ways)
    requests = np.where(fields.protocol == PROTOCOL_ICMP, 8, 128)
    initiator_port = np.where(sent == 0, fields.source_port, fields.destination_port)
    responder_port = np.where(sent == 0, fields.destination_port, fields.source_port)
    columns: Columns = {
        "initiator_link": end(source_link, destination_link),
        "initiator_high": end(keys[SOURCE_HIGH], keys[DESTINATION_HIGH]),
        "initiator_low": end(keys[SOURCE_LOW], keys[DESTINATION_LOW]),
        "initiator_port": np.where(fields.is_echo, requests, initiator_port),
        "responder_link": end(destination_link, source_link),
        "responder_high": end(keys[DESTINATION_HIGH], keys[SOURCE_HIGH]),
        "responder_low": end(keys[DESTINATION_LOW], keys[SOURCE_LOW]),
        "responder_port": np.where(fields.is_echo, 0, responder_port),
        "ethertype": pairing.fields.ethertype[row],
        "protocol": fields.protocol,
        "vlan_id": pairing.fields.vlan_id[row],
        "start_ns": ways.first_ns.min(axis=0),
        "end_ns": ways.last_ns.max(axis=0),
        "packets_sent": ways.packets[sent, index],
        "packets_received": ways.packets[received, index],
        "octets_sent": ways.octets[sent, index],
        "octets_received": ways.octets[received, index],
        "payload_sent": ways.payload[sent, index],
        "payload_received": ways.payload[received, index],
        "tcp_flags_sent": ways.tcp_flags[sent, index],
        "tcp_flags_received": ways.tcp_flags[received, index],
        "capture_index": ways.capture_index[earliest_way, index],
        "packet_number": ways.packet_number[earliest_way, index],
        "hop_limit": np.where(has_sent, rows.hop_limit[row], 0).astype(np.uint8),
        "duplicates": ways.duplicates.sum(axis=0),
        "connections": np.maximum(1, ways.connections.max(axis=0, initial=0)),
        "unrecorded_sent": _unrecorded(rows, sent_row, received_row, ways.payload[sent, index]),
        "unrecorded_received": _unrecorded(rows, received_row, sent_row, ways.payload[received, index]),
        "is_one_way": fields.is_one_way,
        "paths": _paths(rows, pairing, ways),
    }
    return columns


def _unrecorded(rows: FlowRows, row: Int64, answering: Int64, payload: Int64) -> Int64:
    """
    Octets that the other end acknowledged and the recording does not hold, a minimum.

    Acknowledgement numbers count octets from the SYN (RFC 9293 section 3.4) modulo 2^32, so that more than
    4 GiB read as less; known for single connections whose SYN was recorded.
    """
    both = (row >= 0) & (answering >= 0)
    mine, theirs = np.where(both, row, 0), np.where(both, answering, 0)
    if not len(rows):
        return np.zeros(len(row), np.int64)
    begin, reached = rows.first_syn[mine], rows.acknowledged[theirs]
    is_single = (begin == rows.last_syn[mine]) & ((rows.marks[mine] | rows.marks[theirs]) & FOLDED == 0)
    is_known = both & is_single & (begin >= 0) & (reached >= 0)
    delivered = (reached - begin - 1) % (1 << 32)
    delivered = np.where(delivered < 1 << 31, delivered, 0)  # numbers before the SYN: of an older connection
    # A FIN counts as an octet (RFC 9293 3.4); one octet less is no loss.
    result: Int64 = np.where(is_known, np.maximum(0, delivered - payload - 1), 0)
    return result


def _paths(rows: FlowRows, pairing: Pairing, ways: Ways) -> npt.NDArray[np.object_]:
    """Tuples of ``Path``: every row of a flow that is not the one nearest to its sender."""
    paths = np.empty(pairing.flow_count, object)
    paths[:] = [()] * pairing.flow_count
    several = np.flatnonzero(ways.rows.max(axis=0, initial=0) > 1)
    if several.size:
        is_further = np.isin(pairing.flow, several)
        is_further[ways.row[ways.row >= 0]] = False
        fields = pairing.fields
        for row in np.flatnonzero(is_further).tolist():
            flow = int(pairing.flow[row])
            if len(paths[flow]) < MAX_PATHS_PER_FLOW:
                path = Path(
                    link_from_word(int(fields.source_link[row])),
                    link_from_word(int(fields.destination_link[row])),
                    int(fields.vlan_id[row]),
                    int(rows.hop_limit[row]),
                    int(rows.packets[row] + rows.duplicates[row]),
                )
                paths[flow] = (*paths[flow], path)
    return paths


def _add_refusals(columns: Columns, refusals: Refusals) -> None:
    """Say who refused; errors of third parties matter only where no answer came."""
    outcome = columns["outcome"]
    reporter_high = np.where(outcome == REFUSED, columns["responder_high"], np.uint64(0))
    reporter_low = np.where(outcome == REFUSED, columns["responder_low"], np.uint64(0))
    open_attempts = np.flatnonzero((outcome == UNANSWERED) & ~columns["is_one_way"].astype(bool))
    if open_attempts.size and len(refusals):
        keys = attempt_keys(
            columns["protocol"][open_attempts],
            columns["initiator_port"][open_attempts],
            columns["responder_port"][open_attempts],
            (columns["initiator_high"][open_attempts], columns["initiator_low"][open_attempts]),
            (columns["responder_high"][open_attempts], columns["responder_low"][open_attempts]),
        )
        kind, high, low = refusals.find(keys)
        refused = kind != 0
        outcome[open_attempts[refused]] = kind[refused]
        reporter_high[open_attempts[refused]] = high[refused]
        reporter_low[open_attempts[refused]] = low[refused]
    columns["refused_by_high"], columns["refused_by_low"] = reporter_high, reporter_low


def _add_periods(columns: Columns, rhythms: RhythmTable) -> None:
    """Give each flow the rhythm of its conversation."""
    keys = np.zeros((7, len(columns["protocol"])), np.uint64)
    keys[SOURCE_LINK] = columns["initiator_link"]
    keys[DESTINATION_LINK] = columns["protocol"].astype(np.uint64) << np.uint64(48)
    keys[PORTS] = columns["initiator_port"].astype(np.uint64) << np.uint64(32)
    keys[PORTS] |= columns["responder_port"].astype(np.uint64) << np.uint64(48)
    keys[SOURCE_HIGH], keys[SOURCE_LOW] = columns["initiator_high"], columns["initiator_low"]
    keys[DESTINATION_HIGH], keys[DESTINATION_LOW] = columns["responder_high"], columns["responder_low"]
    conversation = rhythms.find(conversation_keys(keys))
    counts, median, jitter = rhythms.periods()
    is_known = conversation >= 0
    at = np.where(is_known, conversation, 0)
    if not len(rhythms):
        counts, median, jitter = np.zeros(1, np.int64), np.zeros(1), np.zeros(1)
    starts = np.where(is_known, counts[at], 0)
    has_period = starts >= MIN_STARTS
    columns["starts"] = starts
    columns["period_seconds"] = np.where(has_period, median[at], np.nan)
    columns["jitter_seconds"] = np.where(has_period, jitter[at], np.nan)


def _sorted(columns: Columns) -> Columns:
    # Two flows can share their first packet's number only across captures; the rest settles damaged numbers.
    order = np.lexsort(
        (
            columns["responder_port"],
            columns["initiator_port"],
            columns["packet_number"],
            columns["capture_index"],
            columns["start_ns"],
        )
    )
    _take(columns, order)
    return columns


def _fold_conversations(columns: Columns) -> Columns:
    """Join the flows of a conversation beyond the first few, those of one outcome to one row."""
    count = len(columns["protocol"])
    if count <= MAX_FLOWS_PER_CONVERSATION:
        return columns
    kind = columns["ethertype"].astype(np.uint64) << np.uint64(48)
    kind |= columns["vlan_id"].astype(np.uint64) << np.uint64(24)
    kind |= columns["protocol"].astype(np.uint64) << np.uint64(16)
    kind |= columns["responder_port"].astype(np.uint64)
    words = [columns[name] for name in ("initiator_link", "initiator_high", "initiator_low", "responder_link",
                                        "responder_high", "responder_low")]  # fmt: skip
    keys = np.stack([kind, *words]).astype(np.uint64)
    conversation = KeyTable(len(keys), count).locate(keys)
    order = np.argsort(conversation, kind="stable")
    begin = run_starts(conversation[order])
    lengths = np.diff(np.append(begin, count))
    if lengths.max() <= MAX_FLOWS_PER_CONVERSATION:
        return columns
    rank = np.empty(count, np.int64)
    rank[order] = np.arange(count) - np.repeat(begin, lengths)
    is_surplus = rank >= MAX_FLOWS_PER_CONVERSATION
    surplus = np.flatnonzero(is_surplus)
    verdict = columns["outcome"] * 4 + columns["initiator_known"]
    group_keys = np.stack(
        (conversation, verdict, columns["refused_by_high"], columns["refused_by_low"])
    ).astype(np.uint64)[:, surplus]
    group = KeyTable(len(group_keys), len(surplus)).locate(group_keys)
    member = surplus[np.argsort(group, kind="stable")]
    labels = np.sort(group)
    begin = run_starts(labels)
    is_several = np.diff(np.append(begin, len(member))) > 1
    head = member[begin]
    joined = {name: column[head] for name, column in columns.items()}
    for name in _SUMS:
        joined[name] = np.add.reduceat(columns[name][member], begin)
    for name in ("tcp_flags_sent", "tcp_flags_received"):
        joined[name] = np.bitwise_or.reduceat(columns[name][member], begin)
    joined["end_ns"] = np.maximum.reduceat(columns["end_ns"][member], begin)
    joined["folded"] = joined["folded"] | is_several
    joined["initiator_port"] = np.where(is_several, 0, joined["initiator_port"])
    kept = np.flatnonzero(~is_surplus)
    return _sorted({name: np.concatenate((column[kept], joined[name])) for name, column in columns.items()})
