"""The files that carry a plan to a router: rules and usage descriptions."""

from __future__ import annotations

import json

from auditor.addresses import parse_address
from auditor.inventory.facts import RemoteContactFact
from auditor.isolation.mud import describe_usage
from auditor.isolation.nftables import render_nftables
from auditor.isolation.plan import Proposal


def render_files(proposal: Proposal) -> dict[str, str]:
    """Contents by file name: ``rules.nft``, and a ``mud.json`` a judged device, likeliest light first."""
    inventory = proposal.inventory
    layout = proposal.recommended.layout
    files = {"rules.nft": render_nftables(layout, title=f"Isolation plan: {layout.title}")}
    names = {
        parse_address(fact.address): fact.name
        for fact in inventory.facts.get("remote-contact", ())
        if isinstance(fact, RemoteContactFact) and fact.name
    }
    hubs = frozenset(d.device_id for d in inventory.devices if {"hub", "broker"} & set(d.roles))
    chosen = [device for device in inventory.devices if device.is_chosen]
    for place, device in enumerate(chosen, start=1):
        usage = describe_usage(
            device.device_id,
            wishes=proposal.wishes,
            names=names,
            hubs=hubs - {device.device_id},
            recorded_until_ns=inventory.coverage.end_ns or 0,
            description=device.nickname or "lighting controller",
        )
        name = "mud.json" if place == 1 else f"mud-{place}.json"
        files[name] = json.dumps(usage.document, indent=2, ensure_ascii=True) + "\n"
    return files
