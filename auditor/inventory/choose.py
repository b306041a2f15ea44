"""
Which devices the audit is about, and whether anything can be judged of them.

``--device`` takes a link address, an address or a nickname; without it the
audit is about every lighting device found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from auditor.addresses import LinkAddress, format_link, parse_address, parse_link
from auditor.capture.record import IssueKind
from auditor.errors import JudgementError
from auditor.home.model import Home
from auditor.inventory.abilities import PLACE, SEEING
from auditor.inventory.model import Inventory, LightingRank
from auditor.inventory.network import Host, Network, device_id_of

LOCAL_BIT = 1 << 41  # the U/L bit of a link address read as a number (IEEE 802-2014 section 8.2.2)


def resolve_chosen(
    chosen: Sequence[str], network: Network, home: Home, ranks: Mapping[str, LightingRank]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the device_ids that the audit is about, and the words that name no device of the recording."""
    if not chosen:
        found = sorted((d for d, rank in ranks.items() if rank.rank), key=lambda d: ranks[d].rank)
        return tuple(found), ()
    ids: dict[str, None] = {}
    missing: list[str] = []
    for written in chosen:
        host = find_host(written, network, home)
        if host is None or (host.first_ns is None and not host.addresses):
            missing.append(written)
        else:
            ids[host.device_id] = None
    return tuple(ids), tuple(missing)


def find_host(written: str, network: Network, home: Home) -> Host | None:
    """The device that a word of the user means, or None."""
    wanted = written.strip()
    for named in home.devices:
        if named.nickname is not None and named.nickname.casefold() == wanted.casefold():
            return network.host_of(named.link_address)
    try:
        link = parse_link(wanted)
    except ValueError:
        link = None
    if link is not None:
        host = network.host_of(link)
        behind = [other for other in network.hosts.values() if link in other.links]
        return host or (behind[0] if len(behind) == 1 else None)
    try:
        return network.at_address(parse_address(wanted))
    except ValueError:
        return network.hosts.get(wanted)


def check_chosen(inventory: Inventory) -> None:
    """
    Refuse to judge what was not recorded (exit status 3).

    Raises:
        JudgementError: a chosen device, or any lighting device, is not in the
            recording, or unicast with none of the chosen ones could have been seen.
    """
    coverage = inventory.coverage
    if inventory.not_in_recording:
        wanted = ", ".join(inventory.not_in_recording)
        raise JudgementError(f"{wanted}: not in this recording; {_there_is(inventory)}; {PLACE}")
    chosen = [device for device in inventory.devices if device.is_chosen]
    if not chosen and coverage.vantage in {"outside-nat", "wireless-encrypted"}:
        reasons = "; ".join(coverage.vantage_reasons)
        raise JudgementError(f"no device can be judged from this recording: {reasons}; {PLACE}")
    if not chosen:
        raise JudgementError(
            f"no lighting device was found in this recording; {_there_is(inventory)}; name it with --device, "
            "or take it off its power for ten seconds while recording and note the time in the home file"
        )
    filtered = coverage.vantage in SEEING and any(
        issue.kind is IssueKind.FILTERED for summary in inventory.captures for issue in summary.issues
    )
    if not filtered and not any("unicast-with-device" in device.abilities for device in chosen):
        reasons = "; ".join(coverage.vantage_reasons)
        raise JudgementError(
            f"unicast with the chosen device could not be in this recording: {reasons}; {PLACE}"
        )


def _there_is(inventory: Inventory) -> str:
    count = len(inventory.devices) + inventory.other_devices
    return f"{count} other device{'' if count == 1 else 's'} could be told apart in it"


def second_interface(host: Host, network: Network) -> str | None:
    """
    Another device whose link address is the next one, or differs in the U/L bit alone.

    Makers give the access point of a set-up network such an address (common
    practice); two equal gadgets from one box may have it too, so it is "perhaps" (scenario S12).
    """
    for link in host.links:
        if not host.own_link:
            continue
        for near in near_links(link):
            other = network.hosts.get(device_id_of(f"link:{format_link(near)}"))
            if other is not None and other is not host:
                return other.device_id
    return None


def near_links(link: LinkAddress) -> Iterator[LinkAddress]:
    """Addresses that a second interface of the same device would have, most likely first."""
    number = int.from_bytes(link, "big")
    flipped = number ^ LOCAL_BIT
    for near in (number + 1, number - 1, flipped, flipped + 1, flipped - 1):
        if 0 <= near < 1 << 48:
            yield LinkAddress(near.to_bytes(6, "big"))


def nickname_of(host: Host, home: Home) -> str | None:
    """What the household calls it."""
    for named in home.devices:
        if format_link(named.link_address) in {format_link(link) for link in host.links} and host.own_link:
            return named.nickname
    return None
