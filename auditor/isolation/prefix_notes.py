"""
What is known of the home's prefixes, what is assumed, and what no router could sort out.

Standards: RFC 2132 section 3.3 (subnet mask), RFC 4861 section 4.6.2 (advertised prefixes), RFC 4291 section
2.5.1 (interface identifiers of 64 bits), RFC 4193 (unique local addresses), RFC 7084 section 4.3 (a router
gives each of its links a prefix of 64 bits from what the provider delegates).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from auditor.inventory.model import KnownPrefix

SOURCES = {
    "lease": "IPv4: the size of the network is {sizes}, by the subnet mask of the recorded leases.",
    "observed": (
        "IPv4: the network is {sizes} or wider: devices of it asked for each other by ARP, which no router "
        "passes on. No lease was recorded that says so."
    ),
    "assumed": (
        "IPv4: no recorded lease tells the size of the network for every device: {sizes} is assumed, as most "
        "homes have. Look in the router whether the new subnet lies outside."
    ),
}
MAX_NOTES = 16
"""Of one plan: forged leases could make as many pairs as there are prefixes."""


def tell_prefixes(prefixes: Sequence[KnownPrefix]) -> Iterable[str]:
    """Sentences with sizes alone: which prefixes they are stays the household's own business."""
    return [*_sizes(prefixes), *_overlaps(prefixes), *_doubled(prefixes), *_advertised(prefixes)][:MAX_NOTES]


def _sizes(prefixes: Sequence[KnownPrefix]) -> Iterable[str]:
    for source, words in SOURCES.items():
        found = {one.network.prefixlen for one in prefixes if one.source == source}
        if found:
            yield words.format(sizes=" and ".join(f"/{length}" for length in sorted(found)))


def _overlaps(prefixes: Sequence[KnownPrefix]) -> Iterable[str]:
    for place, one in enumerate(prefixes):
        for other in prefixes[place + 1 :]:
            version = one.network.version
            if version == 4 == other.network.version and one.network.overlaps(other.network):
                yield (
                    f"Two networks of this home overlap (/{one.network.prefixlen} and "
                    f"/{other.network.prefixlen}): a router cannot tell in which of them an address is. Give "
                    "one of them another subnet before anything else."
                )


def _doubled(prefixes: Sequence[KnownPrefix]) -> Iterable[str]:
    for one in prefixes:
        if one.vlans:
            yield (
                f"Two networks (VLAN {' and '.join(map(str, one.vlans))}) have one and the same "
                f"IPv{one.network.version} prefix: no router passes traffic between them, and no rule tells "
                "them apart. Give one of them another before anything else."
            )


def _advertised(prefixes: Sequence[KnownPrefix]) -> Iterable[str]:
    lengths = [one.network.prefixlen for one in prefixes if one.source == "advertised"]
    if lengths:
        count = "a prefix" if len(lengths) == 1 else f"{len(lengths)} prefixes"
        bits = " and ".join(map(str, sorted(set(lengths))))
        yield (
            f"IPv6: the router advertises {count} of {bits} bits. The new segment needs another /64 of the "
            "provider's share, or a unique local one (RFC 4193). Whether the provider gives more than one is "
            "not visible from here."
        )
