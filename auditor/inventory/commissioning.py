"""
Devices that announce that they wait to be taken into a home, or that take others in.

Standards: IANA service names ``matterc`` and ``matterd``; RFC 6763 section 6 (text keys).  That key CM is
           not 0 while a window is open is from memory of the open standard behind those names, and from one
           published example.

Waiting by Bluetooth is outside any recording that is read here; a set-up
network of the device's own is in ``wireless_networks``.
"""

from __future__ import annotations

from auditor.inventory.announcements import AnnouncementCollector, AnnouncementRow, owner_of
from auditor.inventory.facts import CommissioningFact, Fact
from auditor.inventory.network import Network
from auditor.inventory.sighting import Sighting

KINDS = {"matterc": "commissionable", "matterd": "commissioner"}


def commissioning_facts(announcements: AnnouncementCollector, network: Network) -> list[Fact]:
    """One fact for each device and kind; its instance names change with every window."""
    named = network.hosts_by_name()
    joined: dict[tuple[str, str], list[AnnouncementRow]] = {}
    for key, row in announcements.rows.items():
        kind = KINDS.get(key.service_name or "")
        owner = owner_of(key, row, network, named) if kind else ""
        if kind and owner and row.count:
            joined.setdefault((owner, kind), []).append(row)
    facts: list[Fact] = []
    for (device_id, kind), rows in sorted(joined.items()):
        seen = Sighting()
        for row in rows:
            seen.absorb(row)
        said = [state for row in rows if (state := row.window_open) is not None]
        facts.append(
            CommissioningFact(
                device_id=device_id,
                evidence=seen.evidence,
                first_seen_ns=seen.first_ns,
                last_seen_ns=seen.last_ns,
                kind=kind,
                window_open=any(said) if said else None,
                withdrawn=all(row.is_withdrawn for row in rows),
                count=seen.count,
            )
        )
    return facts
