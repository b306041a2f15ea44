"""
Which device of one recording is which of the other: by identity, never by address alone.

A device that moved has another address.  One that is seen across a router bears
no link address of its own there: it is matched by name, else by the address that
it had in the other recording, because it is the lights that moved.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from auditor.inventory.model import Device, Inventory


def match_devices(before: Inventory, after: Inventory) -> dict[str, str]:
    """device_id of the second recording to device_id of the first; each at most once."""
    matched: dict[str, str] = {}
    taken: set[str] = set()

    def pair(device: Device, other: Device | None) -> None:
        if other is not None and other.device_id not in taken and device.device_id not in matched:
            matched[device.device_id] = other.device_id
            taken.add(other.device_id)

    identities = {device.identity: device for device in before.devices}
    for device in after.devices:
        pair(device, identities.get(device.identity))
    names = _by_name(before)
    addresses = {address: device for device in before.devices for address in device.addresses}
    for device in after.devices:
        for name in _names(device):
            pair(device, names.get(name))
        if not device.identity.startswith("link:"):
            for address in device.addresses:
                pair(device, addresses.get(address))
    return matched


def carry_names(before: Inventory, after: Inventory, matched: Mapping[str, str]) -> Inventory:
    """The second inventory with the nicknames that the first knows its devices by."""
    devices = tuple(
        replace(device, nickname=before.device(matched[device.device_id]).nickname)
        if device.nickname is None and device.device_id in matched
        else device
        for device in after.devices
    )
    return replace(after, devices=devices)


def _names(device: Device) -> list[str]:
    """Its names; a lease tells the same name without the domain of multicast DNS (RFC 6762 section 3)."""
    return [
        name.casefold().rstrip(".").removesuffix(".local")
        for name in (device.nickname or "", *device.hostnames)
        if name
    ]


def _by_name(inventory: Inventory) -> dict[str, Device]:
    """Names that one device alone bears."""
    found: dict[str, Device | None] = {}
    for device in inventory.devices:
        for name in set(_names(device)):
            found[name] = None if name in found else device
    return {name: device for name, device in found.items() if device is not None}
