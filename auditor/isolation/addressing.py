"""
Addresses that a plan needs: those recorded, and new ones for devices that move.

A moved device gets a fixed lease in a prefix that the recording has not seen.
Over IPv6 a moved device makes up its own address (RFC 4862), so that no entry
can name one beforehand: such entries name the segment.
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Iterable

from auditor.addresses import HOME_KINDS, Address, AddressKind, is_ipv4, kind_of, pack_address
from auditor.inventory.model import Device, Inventory, IpNetwork
from auditor.inventory.prefixes import covering
from auditor.isolation.flow_classes import is_global_ipv6
from auditor.isolation.model import LIGHTS, MAIN, Selector
from auditor.isolation.prefix_notes import tell_prefixes
from auditor.value_class import value_class

FIRST_PLANNED_HOST = 21
"""Below the range that most routers lease from, above what they keep for themselves (our choice)."""
PREFIX_LENGTH = 24  # of a planned network: room for more hosts than a home has (our choice)
MAX_PLANNED_HOSTS = 200  # a /24 less what is kept free

_PRIVATE_PREFIXES = tuple(
    ipaddress.IPv4Network((packed, PREFIX_LENGTH))
    for packed in (
        *((192 << 24) + (168 << 16) + (third << 8) for third in range(256)),
        *((172 << 24) + (16 << 16) + (third << 8) for third in range(256)),
    )
)


@value_class
class Addressing:
    """What is known and planned."""

    lights_prefix: ipaddress.IPv4Network | None
    """None: every private prefix was seen in the recording, or there is nothing to move."""
    is_parted_already: bool
    """The recording shows the lights in a subnet that nobody else but a router has: it stays theirs."""
    planned: dict[str, Address]
    """Of every device that may move, its fixed lease in ``lights_prefix``."""
    shared: frozenset[Address]
    """Addresses that more than one device bears: no rule can tell them apart."""
    devices: dict[str, Device]
    notes: tuple[str, ...] = ()
    """What is known of the home's prefixes, what is assumed, and what no router could sort out."""

    def source(self, device_id: str, *, moves: bool) -> Selector:
        """The device as the one who begins: by link address, which does not change with the segment."""
        device = self.devices[device_id]
        segment = LIGHTS if moves else MAIN
        if device.behind_repeater or not device.link_addresses:
            return Selector(segment=segment, moved=moves)
        return Selector(
            segment=segment, device_id=device_id, link_address=device.link_addresses[0], moved=moves
        )

    def destination(self, device_id: str, family: str, *, moves: bool) -> Selector:
        """The device as the one who answers: by address where there is one to be known."""
        segment = LIGHTS if moves else MAIN
        if moves:
            planned = self.planned.get(device_id)
            if family == "ipv4" and planned is not None:
                return Selector(segment=segment, device_id=device_id, addresses=(planned,), moved=True)
            return Selector(segment=segment, moved=True)
        found = routable(self.devices[device_id].addresses, family)
        return Selector(segment=segment, device_id=device_id if found else None, addresses=found)


def routable(addresses: Iterable[Address], family: str) -> tuple[Address, ...]:
    """Those of a family that a router passes on."""
    if family == "ipv4":
        return tuple(
            address
            for address in addresses
            if is_ipv4(address) and kind_of(address) in HOME_KINDS - {AddressKind.LINK_LOCAL}
        )
    return tuple(address for address in addresses if is_global_ipv6(address))


def plan_addresses(
    inventory: Inventory, movable: Iterable[str], lights: frozenset[str] = frozenset()
) -> Addressing:
    """
    A prefix for the lights and a host number for each device that may move.

    The last octet is kept where it is free, because people know their devices by it.  Where ``lights`` have a
    subnet of their own already, it is kept, and they keep their addresses.
    """
    used = {one.network for one in inventory.prefixes if isinstance(one.network, ipaddress.IPv4Network)}
    for device in inventory.devices:  # the recording may hold more networks than prefixes are kept
        used |= {
            ipaddress.IPv4Network((bytes(address[12:]), PREFIX_LENGTH), strict=False)
            for address in device.addresses
            if is_ipv4(address) and covering(used, address) is None
        }
    own = _own_prefix(inventory, lights)
    prefix = own or next((one for one in _after(used) if not any(map(one.overlaps, used))), None)
    bearers = Counter(
        address
        for device in inventory.devices
        for address in set(device.addresses)
        if kind_of(address) is not AddressKind.LINK_LOCAL
    )
    devices = {device.device_id: device for device in inventory.devices}
    return Addressing(
        lights_prefix=prefix,
        is_parted_already=own is not None,
        planned={} if prefix is None else dict(_leases(prefix, movable, lights, devices)),
        shared=frozenset(address for address, count in bearers.items() if count > 1),
        devices=devices,
        notes=tuple(tell_prefixes(inventory.prefixes)),
    )


def _leases(
    prefix: ipaddress.IPv4Network, movable: Iterable[str], lights: frozenset[str], devices: dict[str, Device]
) -> Iterable[tuple[str, Address]]:
    last = prefix.num_addresses - 1
    taken: set[int] = {0, 1, last}
    # Lights first: in a subnet of their own they must find their places free.
    for device_id in sorted(set(movable), key=lambda one: (one not in lights, one))[:MAX_PLANNED_HOSTS]:
        owned = routable(devices[device_id].addresses, "ipv4")
        places = [int(one) - int(prefix[0]) for one in map(_typed, owned) if one in prefix]
        octets = [address[15] for address in owned]
        candidates = (*places, *octets, *range(FIRST_PLANNED_HOST, 255), *range(2, 255))
        number = next((one for one in candidates if one not in taken and one < last), None)
        if number is None:
            return
        taken.add(number)
        yield device_id, pack_address(prefix[number])


def _typed(address: Address) -> ipaddress.IPv4Address:
    return ipaddress.IPv4Address(bytes(address[12:]))


def _own_prefix(inventory: Inventory, lights: frozenset[str]) -> ipaddress.IPv4Network | None:
    """The one subnet of all lights, where others have their own and only a router is in both."""
    networks = [one.network for one in inventory.prefixes]
    theirs: set[IpNetwork] = set()
    others: set[IpNetwork] = set()
    for device in inventory.devices:
        found = {
            one
            for address in routable(device.addresses, "ipv4")
            if (one := covering(networks, address)) is not None
        }
        if device.device_id in lights:
            theirs |= found
        elif "router" not in device.roles:
            others |= found
    if len(theirs) != 1 or not others or theirs & others:
        return None
    [own] = theirs
    is_apart = not any(own.overlaps(other) for other in others if other.version == own.version)
    return own if isinstance(own, ipaddress.IPv4Network) and is_apart else None


def _after(used: Iterable[ipaddress.IPv4Network]) -> tuple[ipaddress.IPv4Network, ...]:
    """Private prefixes, beginning behind the highest one in use that is listed."""
    used = tuple(used)
    places = [place for place, one in enumerate(_PRIVATE_PREFIXES) if any(map(one.overlaps, used))]
    start = max(places, default=-1) + 1
    return (*_PRIVATE_PREFIXES[start:], *_PRIVATE_PREFIXES[:start])
