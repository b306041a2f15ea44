"""Words that tell who a device is, and how they are looked for in a text."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable

from auditor.addresses import LinkAddress, format_address, format_link, interface_identifier_link
from auditor.inventory.model import Device


def links_inside(devices: Iterable[Device]) -> Iterable[LinkAddress]:
    """Link addresses that interface identifiers disclose (RFC 4291 appendix A)."""
    for device in devices:
        for address in device.addresses:
            link = interface_identifier_link(address)
            if link is not None:
                yield link


def words_of(device: Device) -> Iterable[str]:
    """Every word that tells who a device is, in the forms in which it may stand in a text."""
    yield device.device_id
    yield device.identity
    yield device.identity.partition(":")[2]
    if device.nickname:
        yield device.nickname
    for link in (*device.link_addresses, *links_inside([device])):
        yield format_link(link)
        yield link.hex("-")
        yield link.hex()
    for address in device.addresses:
        yield format_address(address)
        parsed = ipaddress.ip_address(format_address(address))
        yield parsed.exploded
        yield parsed.reverse_pointer
    for hostname in device.hostnames:
        bare = hostname.rstrip(".")
        yield hostname
        yield bare
        yield bare.split(".", 1)[0]


def word_pattern(words: Iterable[str]) -> re.Pattern[str] | None:
    """
    One alternation, longest word first; None where there is none.

    Words stand alone: ``lamp`` is not replaced inside ``lampshade``.
    """
    ordered = sorted(set(words), key=lambda word: (-len(word), word))
    if not ordered:
        return None
    return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, ordered))})(?!\w)", re.IGNORECASE)
