"""
What of all facts belongs into the report of the chosen devices.

What others did among themselves is theirs: their facts are left out here, so
that no later stage can print them by mistake (scenario S39).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from auditor.inventory.choose import second_interface
from auditor.inventory.fact_base import sort_facts
from auditor.inventory.facts import FACT_CLASSES, ControlFact, Fact, LocalContactFact, PortMappingFact
from auditor.inventory.network import Network

MAX_OTHER_NAMES = 4096
"""Names of devices that a report only counts: a home has tens; each is looked for in every text."""


def _touches(fact: LocalContactFact, chosen: set[str], drivers: set[str]) -> bool:
    """Contacts with a chosen device, and the searches of those that drive one: control needs both (S23)."""
    return fact.peer_id in chosen or (fact.device_id in drivers and fact.purpose == "discovery")


def concerning(
    facts: Sequence[Fact],
    chosen: set[str],
    drivers: set[str],
    used: set[tuple[str, str, str, int]],
) -> tuple[Fact, ...]:
    """Facts of chosen devices and those that touch one; what others did among themselves is theirs (S39)."""
    kept = [
        fact
        for fact in facts
        if fact.device_id in chosen
        or (isinstance(fact, LocalContactFact) and _touches(fact, chosen, drivers))
        or (
            isinstance(fact, ControlFact)
            and (fact.from_id in chosen or (fact.is_to_everybody and bool(chosen)))
        )
        or (type(fact) is FACT_CLASSES["group-load"] and bool(chosen))
        or (isinstance(fact, PortMappingFact) and fact.by_id in chosen)
        or (
            type(fact) is FACT_CLASSES["service"]
            and (fact.device_id, fact.family, fact.transport, fact.port) in used  # type: ignore[attr-defined]
        )
    ]
    return tuple(sort_facts(kept, lambda fact: (fact.device_id, fact.first_seen_ns, fact.evidence)))


def listed_devices(
    network: Network,
    roles: Mapping[str, Sequence[str]],
    chosen: Sequence[str],
    kept: Mapping[str, Sequence[Fact]],
) -> list[str]:
    """Chosen devices, their peers, and those that every home has: router, resolver, recorder."""
    if not chosen:
        return sorted(network.hosts)
    listed = set(chosen)
    for facts in kept.values():
        for fact in facts:
            listed.add(fact.device_id)
            for peer in (getattr(fact, f"{word}_id", None) for word in fact.PEERS):
                if peer in network.hosts:
                    listed.add(peer)
    # Perhaps the second interface of a chosen device; the report must be able to say so (scenario S12).
    siblings = {device_id: second_interface(host, network) for device_id, host in network.hosts.items()}
    listed |= {device_id for device_id, near in siblings.items() if near in chosen}
    listed |= {d for d, found in roles.items() if {"router", "resolver", "recorder", "lighting"} & set(found)}
    return sorted(listed)


def other_names(network: Network, listed: Sequence[str]) -> tuple[str, ...]:
    """Names of the devices that are only counted, sorted."""
    there = set(listed)
    names = (
        name for device_id, host in network.hosts.items() if device_id not in there for name in host.names
    )
    return tuple(sorted(set(names))[:MAX_OTHER_NAMES])
