"""
Who sends how much and when: sizes, flags and numbers of every packet, before a frame is made.

Sequence and acknowledgement numbers are true running sums of each direction
(RFC 9293 section 3.4), so that a reader of streams finds nothing lost.
"""

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.kinds import FLOW_KINDS, TCP
from tests.benchmarks.payloads import KINDS, PREFIXES, VARIANTS

SPAN_NS = 3_600_000_000_000
START_NS = 1_700_000_000_000_000_000
DISSECTED_SHARE = 0.03
EMPTY_SHARE = 0.40  # segments that only acknowledge
FIN, SYN, RST, PSH, ACK = 1, 2, 4, 8, 16
LEAST_OCTETS, MOST_OCTETS = 200, 1_400
NOTHING = -1

TEXTS = [make(number) for make in KINDS.values() for number in range(VARIANTS)]
TEXT_LENGTH = np.array([len(text) for text in TEXTS])
_PLACES = {name: VARIANTS * index for index, name in enumerate(KINDS)}


def _column(value, kind=np.int64) -> np.ndarray:
    return np.array([value(kind) for kind in FLOW_KINDS], kind)


IS_BULK = _column(lambda kind: kind.is_bulk, bool)
IS_GROUP = _column(lambda kind: kind.destination == "group", bool)
HAS_BODY = _column(lambda kind: kind.has_body, bool)
PROTOCOL = _column(lambda kind: kind.protocol)
WEIGHT = _column(lambda kind: kind.weight, float)
FIRST_TEXT = _column(lambda kind: _PLACES.get(kind.payload or "", NOTHING))
ANSWER_TEXT = _column(lambda kind: _PLACES.get(kind.answer or kind.payload or "", NOTHING))
PREFIX = _column(lambda kind: list(PREFIXES).index(kind.prefix) if kind.prefix else NOTHING)


@dataclass(frozen=True)
class Plan:
    """Columns of all packets in the order of time; ``text`` and ``prefix`` are indices or -1."""

    moment_ns: np.ndarray
    flow: np.ndarray
    place: np.ndarray
    way: np.ndarray
    size: np.ndarray
    flags: np.ndarray
    sequence: np.ndarray
    acknowledgement: np.ndarray
    text: np.ndarray
    prefix: np.ndarray
    body: np.ndarray
    """Octets that follow a head, of the packet that holds the head."""

    def slice(self, start: int, stop: int) -> "Plan":
        """Some consecutive packets."""
        return Plan(**{name: column[start:stop] for name, column in vars(self).items()})


def packets_per_flow(kinds: np.ndarray, packets: int, rng: np.random.Generator) -> np.ndarray:
    """Few packets for exchanges, a long tail for bulk; together exactly ``packets``."""
    is_bulk = IS_BULK[kinds]
    is_exchange = ~is_bulk & (FIRST_TEXT[kinds] != NOTHING)
    counts = np.full(len(kinds), 2)
    # Dissected besides: the first segments of both sides, and every segment of few conversations.
    weights = np.minimum(rng.pareto(1.2, len(counts)) + 0.3, 2_000) * is_bulk * WEIGHT[kinds]
    is_talk = WEIGHT[kinds] < 1
    talk_packets = weights[is_talk].sum() / weights.sum() * packets * (1 - EMPTY_SHARE)
    openings = 2 * np.count_nonzero(is_bulk & (FIRST_TEXT[kinds] != NOTHING))
    spare = DISSECTED_SHARE * packets - openings - talk_packets
    counts[is_exchange] = max(2, int(spare / max(1, np.count_nonzero(is_exchange))))
    rest = packets - counts[~is_bulk].sum() - 3 * np.count_nonzero(is_bulk)
    if rest < 0:
        raise SystemExit("too few packets for so many flows")
    counts[is_bulk] = 3 + np.floor(weights[is_bulk] / weights.sum() * rest).astype(np.int64)
    counts[np.argmax(counts)] += packets - counts.sum()
    return counts


def _before(values: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Running sum of the values of one flow before each packet; packets stand flow by flow."""
    total = np.cumsum(values) - values
    begin = np.arange(len(place)) - place
    return total - total[begin]


def make_plan(kinds: np.ndarray, packets: int, rng: np.random.Generator) -> Plan:
    """Plan the packets of flows of these kinds."""
    counts = packets_per_flow(kinds, packets, rng)
    flow = np.repeat(np.arange(len(counts), dtype=np.int32), counts)
    place = (np.arange(len(flow)) - np.repeat(np.cumsum(counts) - counts, counts)).astype(np.int32)
    kind = kinds[flow]
    is_tcp, is_bulk = PROTOCOL[kind] == TCP, IS_BULK[kind]
    way = np.where(IS_GROUP[kind], 0, place % 2).astype(np.int8)
    opening = is_tcp & is_bulk & (place < 2)
    attempt = is_tcp & ~is_bulk
    text = np.where(way == 1, ANSWER_TEXT[kind], FIRST_TEXT[kind])
    text = np.where(
        (text != NOTHING) & (~is_tcp | (place == 2) | (place == 3)), text + flow % VARIANTS, NOTHING
    )
    is_empty = (rng.random(len(flow)) < EMPTY_SHARE) | (HAS_BODY[kind] & (way == 0))
    size = np.where(is_empty, 0, rng.integers(LEAST_OCTETS, MOST_OCTETS, len(flow)))
    size[opening | attempt] = 0
    size = np.where(text != NOTHING, TEXT_LENGTH[text], size).astype(np.int32)
    prefix = np.where((size > 0) & (text == NOTHING), PREFIX[kind], NOTHING).astype(np.int8)

    ends = is_tcp & is_bulk & (place >= counts[flow] - 2) & (counts[flow] >= 6)
    flags = np.where(size > 0, PSH | ACK, ACK) | np.where(ends, FIN, 0)
    flags[opening | attempt] = np.where(way == 0, SYN, SYN | ACK)[opening | attempt]
    flags[attempt & (way == 1)] = RST | ACK
    occupied = size + ((flags & (SYN | FIN)) != 0)  # SYN and FIN take a number each
    sent = [_before(np.where(way == side, occupied, 0), place) for side in (0, 1)]
    first = rng.integers(0, 1 << 32, (2, len(counts)))
    numbers = [(first[side][flow] + sent[side]) % (1 << 32) for side in (0, 1)]
    sequence = np.where(way == 0, numbers[0], numbers[1]).astype(np.uint32)
    acknowledgement = np.where(way == 0, numbers[1], numbers[0])
    acknowledgement[flags & ACK == 0] = 0

    served = np.bincount(flow, np.where(way == 1, size, 0), len(counts)).astype(np.int64)
    body = np.where((text != NOTHING) & HAS_BODY[kind] & (way == 1), served[flow] - size, NOTHING)

    start = rng.random(len(counts)) * SPAN_NS * 0.8
    duration = rng.random(len(counts)) ** 2 * SPAN_NS * 0.2 * np.minimum(1, counts / 50)
    moment = start[flow] + (place + rng.random(len(flow)) * 0.5) / counts[flow] * duration[flow]
    order = np.argsort(moment, kind="stable")
    return Plan(
        moment_ns=moment[order].astype(np.int64) + START_NS,
        flow=flow[order],
        place=place[order],
        way=way[order],
        size=size[order],
        flags=flags[order].astype(np.uint8),
        sequence=sequence[order],
        acknowledgement=acknowledgement[order].astype(np.uint32),
        text=text[order].astype(np.int32),
        prefix=prefix[order],
        body=body[order],
    )
