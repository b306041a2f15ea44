"""
The flow table: packets in, two-way flows out.

While reading, packets are counted in one-way rows (``rows``), the starts of
conversations in ``rhythm`` and refusals in ``refusals``, all in columns.  Rows
are paired, oriented and judged when somebody asks for flows.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from auditor.addresses import Address, LinkAddress
from auditor.flows.flow import Endpoint, Flow, FlowKey, PacketReference, Path, Period
from auditor.flows.fold import fold_rows
from auditor.flows.orientation import KNOWN, OUTCOMES, PROHIBITED, REFUSED
from auditor.flows.refusals import Refusals
from auditor.flows.rhythm import RhythmTable
from auditor.flows.rollup import Columns, roll_up
from auditor.flows.rows import FlowRows, conversation_events, conversation_keys
from auditor.packets.batch import SYN, PacketBatch, address_from_words, link_from_word

MAX_FLOW_ROWS = 200_000
"""One-way rows held in memory, about 40 MB.  A home makes some ten thousand flows a day (common practice);
more are the work of a scan or of pollers, whose rows may well be joined."""

MAX_SLICE_PACKETS = 1 << 16
"""Packets counted in at once: their order is found by sorting 16-bit labels (``keys.group_order``)."""

_ADDRESS_CACHE = 1 << 14
_NO_PACKET_NS = 0
_FLOWS_AT_ONCE = 4096  # turned from columns to objects together
_SHARED_AT_MOST = 1 << 14
MIN_CLIENT_PORT = 32_768  # common practice: clients' ports begin here or above, and differ from flow to flow


class FlowTable:
    """
    All flows of a recording, or of consecutive recordings joined.

    Batches must come in the order of recording.  ``merge(later)`` gives the
    same as reading both parts through one table, until a ``MAX_`` bites;
    ``folded_rows``, ``unmeasured_conversations`` and ``unrecorded_refusals``
    say so.  One row of traffic keeps several connections over the same ports
    together: a SYN with a new sequence number counts one more connection and
    opens no new row, because the pieces could not be told apart once merged.
    """

    __slots__ = (
        "_columns",
        "_first_ns",
        "_is_settled",
        "_last_ns",
        "_limit",
        "_refusals",
        "_rhythms",
        "_rows",
        "duplicates",
        "folded_rows",
        "octets",
        "packets",
    )

    def __init__(self, limit: int = MAX_FLOW_ROWS) -> None:
        self._limit = limit
        self._rows = FlowRows()
        self._rhythms = RhythmTable()
        self._refusals = Refusals()
        self._columns: Columns | None = None
        self._is_settled = False
        self._first_ns: int | None = None
        self._last_ns: int | None = None
        self.packets = 0
        """Packets counted, copies aside."""
        self.octets = 0
        """Octets of whole frames on the wire, copies aside."""
        self.duplicates = 0
        """Copies that were not counted."""
        self.folded_rows = 0
        """One-way rows that the bound has joined to others."""

    @property
    def first_ns(self) -> int | None:
        """Time of the earliest packet; None before any."""
        return self._first_ns

    @property
    def last_ns(self) -> int | None:
        """Time of the latest packet; None before any."""
        return self._last_ns

    @property
    def unmeasured_conversations(self) -> int:
        """Sightings of conversations whose rhythm was not measured, because too many were."""
        return self._rhythms.unmeasured

    @property
    def unrecorded_refusals(self) -> int:
        """ICMP errors that were not kept, because too many were; their attempts read as unanswered."""
        return self._refusals.unrecorded

    def add(self, batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_] | None = None) -> None:
        """Count a batch in; ``is_duplicate`` is what ``duplicates.DuplicateFilter.mark`` says of it."""
        self._check_open()
        if not len(batch):
            return
        if is_duplicate is None:
            is_duplicate = np.zeros(len(batch), bool)
        self._columns = None
        start, end = int(batch.timestamp_ns.min()), int(batch.timestamp_ns.max())
        self._first_ns = start if self._first_ns is None else min(self._first_ns, start)
        self._last_ns = end if self._last_ns is None else max(self._last_ns, end)
        copies = int(np.count_nonzero(is_duplicate))
        self.duplicates += copies
        self.packets += len(batch) - copies
        self.octets += int(batch.original_length.sum())
        if copies:
            self.octets -= int(batch.original_length[is_duplicate].sum())
        self._refusals.add(batch, is_duplicate)
        if len(batch) <= MAX_SLICE_PACKETS:
            self._count(batch, is_duplicate)
            return
        for begin in range(0, len(batch), MAX_SLICE_PACKETS):
            piece = slice(begin, begin + MAX_SLICE_PACKETS)
            self._count(_cut(batch, piece), is_duplicate[piece])

    def _count(self, batch: PacketBatch, is_duplicate: npt.NDArray[np.bool_]) -> None:
        rows = self._rows.add(batch, is_duplicate)
        opening = np.flatnonzero(((batch.tcp_flags & SYN) != 0) & ~is_duplicate)
        self._rows.add_openings(
            rows[opening], batch.tcp_flags[opening], batch.tcp_sequence[opening].astype(np.int64)
        )
        events, tags = conversation_events(batch, is_duplicate)
        if len(events):
            self._add_events(rows[events], batch.timestamp_ns[events], tags)
        if len(self._rows) > self._limit:
            self._fold()

    def _add_events(
        self, rows: npt.NDArray[np.int64], moments: npt.NDArray[np.int64], tags: npt.NDArray[np.int64]
    ) -> None:
        conversation = self._rows.conversation
        new = rows[conversation[rows] < 0]
        if len(new):
            # Asked for places too: without them numpy loads its masked arrays, 0.02 s.
            new, _ = np.unique(new, return_index=True)
            conversation[new] = self._rhythms.locate(conversation_keys(self._rows.keys.keys[:, new]))
        numbers = conversation[rows]
        is_measured = numbers >= 0
        if is_measured.all():
            self._rhythms.add(numbers, moments, tags)
        else:
            self._rhythms.add(numbers[is_measured], moments[is_measured], tags[is_measured])

    def _fold(self) -> None:
        before = len(self._rows)
        self._rows = fold_rows(self._hand_over(), self._limit)
        self.folded_rows += before - len(self._rows)

    def _hand_over(self) -> FlowRows:
        """The rows, kept by nobody else, so that folding can free them step by step."""
        rows, self._rows = self._rows, FlowRows()
        return rows

    def settle(self) -> None:
        """
        Keep the flows alone and give up the rows, which take twice the room.

        The recording has been read to its end; ``add`` and ``merge`` raise ``ValueError`` afterwards.
        """
        self._columns = self.columns()
        self._is_settled = True
        unmeasured, unrecorded = self.unmeasured_conversations, self.unrecorded_refusals
        self._rows, self._refusals, self._rhythms = FlowRows(), Refusals(), RhythmTable()
        self._rhythms.unmeasured, self._refusals.unrecorded = unmeasured, unrecorded

    def _check_open(self) -> None:
        if self._is_settled:
            raise ValueError("the flow table is settled: nothing can be added")

    def merge(self, later: FlowTable) -> None:
        """Continue with the table of the part of the recording that follows; ``later`` is left as it was."""
        self._check_open()
        later._check_open()
        self._columns = None
        for name in ("packets", "octets", "duplicates", "folded_rows"):
            setattr(self, name, getattr(self, name) + getattr(later, name))
        moments = [value for value in (self._first_ns, later._first_ns) if value is not None]
        self._first_ns = min(moments, default=None)
        moments = [value for value in (self._last_ns, later._last_ns) if value is not None]
        self._last_ns = max(moments, default=None)
        self._rows.merge(later._rows)
        self._rhythms.merge(later._rhythms)
        self._refusals.merge(later._refusals)
        if len(self._rows) > self._limit:
            self._fold()

    def columns(self) -> Columns:
        """
        The flows as columns, one entry a flow, in the order of iteration.

        Names and units are those of ``Flow``, with these differences: links and
        addresses are words as in ``PacketBatch`` (``initiator_link``,
        ``initiator_high``, ``initiator_low``, ``initiator_port``, the same for
        ``responder``, and ``refused_by_high``, ``refused_by_low``);
        ``initiator_known`` and ``outcome`` are indices into
        ``orientation.KNOWN`` and ``orientation.OUTCOMES``; ``first_packet`` is
        ``capture_index`` and ``packet_number``; the period is ``starts``,
        ``period_seconds`` and ``jitter_seconds``, NaN where there is none.
        ``is_one_way`` marks flows that have no answers by their nature.
        """
        if self._columns is None:
            self._columns = roll_up(
                self._rows, self._refusals, self._rhythms, self._first_ns or _NO_PACKET_NS
            )
        return dict(self._columns)

    def __len__(self) -> int:
        return len(self.columns()["protocol"])

    def __iter__(self) -> Iterator[Flow]:
        """All flows, sorted by their first packet."""
        columns = self.columns()
        share = _Shared()
        for begin in range(0, len(columns["protocol"]), _FLOWS_AT_ONCE):
            lists = [columns[name][begin : begin + _FLOWS_AT_ONCE].tolist() for name in _FLOW_COLUMNS]
            for values in zip(*lists, strict=True):
                yield _flow(share, *values)


_FLOW_COLUMNS = (
    "initiator_link", "initiator_high", "initiator_low", "initiator_port",
    "responder_link", "responder_high", "responder_low", "responder_port",
    "ethertype", "protocol", "vlan_id", "initiator_known", "outcome", "start_ns", "end_ns",
    "packets_sent", "packets_received", "octets_sent", "octets_received", "payload_sent", "payload_received",
    "tcp_flags_sent", "tcp_flags_received", "capture_index", "packet_number", "hop_limit", "duplicates",
    "connections", "folded", "starts",
    "period_seconds", "jitter_seconds", "refused_by_high", "refused_by_low", "paths",
    "unrecorded_sent", "unrecorded_received",
)  # fmt: skip


class _Shared:
    """
    Values that many flows of one iteration have in common, each made once.

    A service's end and the rhythm of a conversation stand in all their flows;
    apart they would double what a list of flows takes.
    """

    __slots__ = ("ends", "periods")

    def __init__(self) -> None:
        self.ends: dict[tuple[int, int, int, int], Endpoint] = {}
        self.periods: dict[tuple[float, float, int], Period] = {}

    def end(self, link: int, high: int, low: int, port: int) -> Endpoint:
        """One end; remembered where its port may be that of a service."""
        key = (link, high, low, port)
        known = self.ends.get(key)
        if known is None:
            known = Endpoint(_link(link), _address(high, low), port)
            if port < MIN_CLIENT_PORT:
                if len(self.ends) >= _SHARED_AT_MOST:
                    self.ends.clear()
                self.ends[key] = known
        return known

    def period(self, median: float, jitter: float, count: int) -> Period:
        """One rhythm."""
        key = (median, jitter, count)
        known = self.periods.get(key)
        if known is None:
            if len(self.periods) >= _SHARED_AT_MOST:
                self.periods.clear()
            known = self.periods[key] = Period(median_seconds=median, jitter_seconds=jitter, count=count)
        return known


def _flow(
    share: _Shared,
    initiator_link: int, initiator_high: int, initiator_low: int, initiator_port: int,
    responder_link: int, responder_high: int, responder_low: int, responder_port: int,
    ethertype: int, protocol: int, vlan_id: int, initiator_known: int, outcome: int,
    start_ns: int, end_ns: int,
    packets_sent: int, packets_received: int, octets_sent: int, octets_received: int, payload_sent: int,
    payload_received: int, tcp_flags_sent: int, tcp_flags_received: int, capture_index: int,
    packet_number: int, hop_limit: int, duplicates: int, connections: int, folded: bool, starts: int,
    period_seconds: float, jitter_seconds: float, refused_by_high: int, refused_by_low: int,
    paths: tuple[Path, ...], unrecorded_sent: int, unrecorded_received: int,
) -> Flow:  # fmt: skip
    has_period = period_seconds == period_seconds  # not NaN
    return Flow(
        key=FlowKey(
            share.end(initiator_link, initiator_high, initiator_low, initiator_port),
            share.end(responder_link, responder_high, responder_low, responder_port),
            ethertype,
            protocol,
            vlan_id,
        ),
        initiator_known=KNOWN[initiator_known],
        outcome=OUTCOMES[outcome],
        start_ns=start_ns,
        end_ns=end_ns,
        packets_sent=packets_sent,
        packets_received=packets_received,
        octets_sent=octets_sent,
        octets_received=octets_received,
        payload_sent=payload_sent,
        payload_received=payload_received,
        tcp_flags_sent=tcp_flags_sent,
        tcp_flags_received=tcp_flags_received,
        first_packet=PacketReference(capture_index, packet_number),
        hop_limit=hop_limit,
        duplicates=duplicates,
        connections=connections,
        folded=folded,
        period=share.period(period_seconds, jitter_seconds, starts) if has_period else None,
        refused_by=_address(refused_by_high, refused_by_low) if outcome in (REFUSED, PROHIBITED) else None,
        paths=paths,
        unrecorded_sent=unrecorded_sent,
        unrecorded_received=unrecorded_received,
    )


@lru_cache(_ADDRESS_CACHE)
def _address(high: int, low: int) -> Address:
    return address_from_words(high, low)


@lru_cache(_ADDRESS_CACHE)
def _link(word: int) -> LinkAddress:
    return link_from_word(word)


def _cut(batch: PacketBatch, piece: slice) -> PacketBatch:
    """Some consecutive packets of a batch; nothing is copied."""
    columns = {name: getattr(batch, name)[piece] for name in PacketBatch.__slots__ if name != "buffer"}
    return PacketBatch(buffer=batch.buffer, **columns)
