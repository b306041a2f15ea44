"""
One-way rows to two-way flows: which rows belong together.

Two rows with the same addresses, protocol and ports, turned round, are the
directions of one flow, whatever their link addresses: answers may come from
another router.  Several rows of one direction are

* the same path with another VLAN tag: they add up;
* copies of one path recorded at two places, the hop limit lower behind a
  router: each packet counts once, and the second place is kept as a path;
* otherwise flows of different hosts with one address: they stay apart.

Broadcast, multicast, ARP, other frames and ICMP other than echo stay one-way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.flows.keys import Int64, KeyTable, UInt64
from auditor.flows.rows import (
    DESTINATION_HIGH,
    DESTINATION_LINK,
    DESTINATION_LOW,
    PORTS,
    SOURCE_HIGH,
    SOURCE_LINK,
    SOURCE_LOW,
    FlowRows,
    is_unspecified,
)
from auditor.packets.batch import (
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    PROTOCOL_ICMP,
    PROTOCOL_ICMPV6,
)
from auditor.units import NS_PER_SECOND

MAX_ROUTED_HOPS = 8
"""Routers between two recording points of one home; with more between them it is not taken for a copy."""

COPY_OVERLAP_NS = NS_PER_SECOND
"""Copies of one flow run at the same time; so much slack is left for buffers."""

_LINK_BITS = np.uint64((1 << 48) - 1)
_ECHO_REPLY = {
    PROTOCOL_ICMP: (0, 8),
    PROTOCOL_ICMPV6: (129, 128),
}  # reply, request: RFC 792, RFC 4443 section 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowFields:
    """The words of row keys, taken apart; one entry a row."""

    source_link: UInt64
    destination_link: UInt64
    ethertype: Int64
    protocol: Int64
    vlan_id: Int64
    source_port: Int64
    destination_port: Int64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """Which flow each row belongs to, and in which direction; one entry a row."""

    fields: RowFields
    flow: Int64
    """Numbers from 0."""
    is_backward: npt.NDArray[np.bool_]
    """Against the arbitrary direction in which the ends of the flow were put in order."""
    is_one_way: npt.NDArray[np.bool_]
    flow_count: int


def take_apart(keys: UInt64) -> RowFields:
    """Split row keys into their fields."""
    ports = keys[PORTS]
    return RowFields(
        source_link=keys[SOURCE_LINK] & _LINK_BITS,
        destination_link=keys[DESTINATION_LINK] & _LINK_BITS,
        ethertype=(keys[SOURCE_LINK] >> np.uint64(48)).astype(np.int64),
        protocol=(keys[DESTINATION_LINK] >> np.uint64(48)).astype(np.int64),
        vlan_id=(ports & np.uint64((1 << 24) - 1)).astype(np.int64),
        source_port=(ports >> np.uint64(32) & np.uint64(0xFFFF)).astype(np.int64),
        destination_port=(ports >> np.uint64(48)).astype(np.int64),
    )


def pair_rows(rows: FlowRows) -> Pairing:
    """Find the flow of every row."""
    keys = rows.keys.keys
    fields = take_apart(keys)
    is_one_way = _is_one_way(keys, fields)
    source, destination = fields.source_port.copy(), fields.destination_port.copy()
    is_backward = _is_turned(keys, source, destination)
    for protocol, (reply, request) in _ECHO_REPLY.items():
        is_echo = (fields.protocol == protocol) & np.isin(fields.source_port, (reply, request)) & ~is_one_way
        source[is_echo] = destination[is_echo] = request
        is_backward = np.where(is_echo, _is_turned(keys, source, destination), is_backward)
    is_backward &= ~is_one_way
    group_keys = _group_keys(keys, fields, source, destination, is_backward, is_one_way)
    flow = KeyTable(len(group_keys), len(rows)).locate(group_keys)
    flow_count = int(flow.max()) + 1 if len(flow) else 0
    flow, flow_count = _part_paths(rows, fields, flow, flow_count, is_backward)
    return Pairing(
        fields=fields, flow=flow, is_backward=is_backward, is_one_way=is_one_way, flow_count=flow_count
    )


def _is_one_way(keys: UInt64, fields: RowFields) -> npt.NDArray[np.bool_]:
    is_ip = (fields.ethertype == ETHERTYPE_IPV4) | (fields.ethertype == ETHERTYPE_IPV6)
    is_icmp = np.zeros(len(is_ip), bool)
    for protocol, types in _ECHO_REPLY.items():
        is_icmp |= (fields.protocol == protocol) & ~np.isin(fields.source_port, types)
    one_way: npt.NDArray[np.bool_] = (
        ~is_ip
        | is_icmp
        | is_group(keys[DESTINATION_HIGH], keys[DESTINATION_LOW], fields.ethertype == ETHERTYPE_IPV6)
        | ((fields.destination_link & np.uint64(1)) != 0)  # a group on the link: also broadcasts of a subnet
        | is_unspecified(keys[SOURCE_HIGH], keys[SOURCE_LOW])
    )
    return one_way


def is_group(high: UInt64, low: UInt64, is_ipv6: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Whether addresses are multicast or 255.255.255.255 (RFC 4291 section 2.7, RFC 5771, RFC 919)."""
    first4 = low >> np.uint64(32) & np.uint64(0xFF)
    is_group4 = ((first4 & np.uint64(0xF0)) == 0xE0) | ((low >> np.uint64(32)) == 0xFFFF_FFFF)
    result: npt.NDArray[np.bool_] = np.where(is_ipv6, (high & np.uint64(0xFF)) == 0xFF, is_group4)
    return result


def _is_turned(keys: UInt64, source: Int64, destination: Int64) -> npt.NDArray[np.bool_]:
    """Whether the source comes after the destination in the order of words and ports."""
    result = source > destination
    for first, second in ((SOURCE_LOW, DESTINATION_LOW), (SOURCE_HIGH, DESTINATION_HIGH)):
        result = np.where(keys[first] == keys[second], result, keys[first] > keys[second])
    return result


def _group_keys(
    keys: UInt64,
    fields: RowFields,
    source: Int64,
    destination: Int64,
    is_backward: npt.NDArray[np.bool_],
    is_one_way: npt.NDArray[np.bool_],
) -> UInt64:
    """Keys that are equal for the rows of one exchange in either direction."""
    low_port = np.where(is_backward, destination, source)
    high_port = np.where(is_backward, source, destination)
    kind = low_port | high_port << 16 | fields.protocol << 32 | fields.ethertype << 40
    # Where addresses tell no hosts apart, link addresses do.
    keeps_links = is_one_way & is_unspecified(keys[SOURCE_HIGH], keys[SOURCE_LOW])
    return np.stack(
        (
            kind.astype(np.uint64),
            np.where(is_backward, keys[DESTINATION_HIGH], keys[SOURCE_HIGH]),
            np.where(is_backward, keys[DESTINATION_LOW], keys[SOURCE_LOW]),
            np.where(is_backward, keys[SOURCE_HIGH], keys[DESTINATION_HIGH]),
            np.where(is_backward, keys[SOURCE_LOW], keys[DESTINATION_LOW]),
            np.where(keeps_links, fields.source_link, np.uint64(0))
            + is_one_way.astype(np.uint64) * _LINK_BITS,
            np.where(keeps_links, fields.destination_link, np.uint64(0)),
        )
    )


def _part_paths(
    rows: FlowRows, fields: RowFields, flow: Int64, flow_count: int, is_backward: npt.NDArray[np.bool_]
) -> tuple[Int64, int]:
    """Give rows of one exchange that are neither directions nor copies of each other flows of their own."""
    per_direction = np.bincount(flow * 2 + is_backward, minlength=2 * flow_count)
    crowded = np.flatnonzero((per_direction.reshape(-1, 2) > 1).any(axis=1))
    if not crowded.size:
        return flow, flow_count
    flow = flow.copy()
    members = np.flatnonzero(np.isin(flow, crowded))
    members = members[np.lexsort((rows.first_ns[members], flow[members]))]
    bounds = np.flatnonzero(np.append(True, flow[members][1:] != flow[members][:-1])).tolist()
    for start, stop in zip(bounds, [*bounds[1:], len(members)], strict=True):
        paths: list[_Path] = []
        for row in members[start:stop].tolist():
            _place(_Path.of(rows, fields, row, backward=bool(is_backward[row])), paths)
        for path in paths[1:]:
            flow[path.rows] = flow_count
            flow_count += 1
    return flow, flow_count


MAX_PATHS_PER_EXCHANGE = 16
"""Rows of further paths with the same addresses and ports join the first: bounds the comparing of paths."""


@dataclass(slots=True, kw_only=True)
class _Path:
    """Rows that have been put together; one entry for each direction (forward, backward)."""

    rows: list[int]
    links: set[frozenset[int]]
    hop_limits: list[set[int]]
    first_ns: int
    last_ns: int
    has_originals: list[bool]

    @classmethod
    def of(cls, rows: FlowRows, fields: RowFields, row: int, *, backward: bool) -> _Path:
        hops: list[set[int]] = [set(), set()]
        hops[backward].add(int(rows.hop_limit[row]))
        originals = [False, False]
        originals[backward] = bool(rows.packets[row])
        return cls(
            rows=[row],
            links={frozenset((int(fields.source_link[row]), int(fields.destination_link[row])))},
            hop_limits=hops,
            first_ns=int(rows.first_ns[row]),
            last_ns=int(rows.last_ns[row]),
            has_originals=originals,
        )

    def is_one_with(self, other: _Path) -> bool:
        """Same links, other direction, or copies of each other."""
        if self.links & other.links:
            return True
        shared = [way for way in (0, 1) if self.hop_limits[way] and other.hop_limits[way]]
        if not shared:
            return True
        overlaps = (
            self.first_ns - COPY_OVERLAP_NS <= other.last_ns
            and other.first_ns - COPY_OVERLAP_NS <= self.last_ns
        )
        return overlaps and all(
            not (self.has_originals[way] and other.has_originals[way])
            or any(
                1 <= abs(mine - theirs) <= MAX_ROUTED_HOPS
                for mine in self.hop_limits[way]
                for theirs in other.hop_limits[way]
            )
            for way in shared
        )

    def join(self, other: _Path) -> None:
        self.rows += other.rows
        self.links |= other.links
        for way in (0, 1):
            self.hop_limits[way] |= other.hop_limits[way]
            self.has_originals[way] |= other.has_originals[way]
        self.first_ns = min(self.first_ns, other.first_ns)
        self.last_ns = max(self.last_ns, other.last_ns)


def _place(path: _Path, paths: list[_Path]) -> None:
    by_links = [known for known in paths if known.links & path.links]
    for known in by_links or paths:
        if known.is_one_with(path):
            known.join(path)
            return
    if len(paths) < MAX_PATHS_PER_EXCHANGE:
        paths.append(path)
    else:
        paths[0].join(path)
