"""
A plan in words of no maker: what to do, what stops, how to test it, how to undo it.

Standards named where they bear on a step: RFC 4541 (snooping and the querier),
RFC 4890 (ICMPv6), RFC 6092 and RFC 7084 (IPv6 defaults of home routers), RFC
6762 section 11 (answers across subnets).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from auditor.addresses import format_address, format_link
from auditor.isolation.addressing import Addressing
from auditor.isolation.model import INTERNET, LIGHTS, MAIN, ROUTER, Entry, Layout, Selector, Step, WishResult

CAUTIONS = (
    "Write the way back down first: which settings you change, and what stood there before.",
    "Keep a network cable at hand, and change nothing through the only way into the router.",
    "Do not move or cut off smoke, gas or burglar alarms, medical devices, door locks or emergency lighting.",
    "Change only networks and devices that are yours, or whose owner agreed.",
    "Do it when light is not needed, and look whether every lamp can still be switched by hand.",
    (
        "The plan knows what was recorded. What a device does once a month, after a power cut or when its "
        "cloud is gone was perhaps not."
    ),
)
"""Printed with every plan."""

_SEGMENT_WORDS = {
    LIGHTS: "the lights' segment",
    MAIN: "the main network",
    INTERNET: "the internet",
    ROUTER: "the router itself",
    "anywhere": "anywhere",
}


def selector_words(selector: Selector, label: Callable[[str], str], *, is_source: bool) -> str:
    """An end of an entry for people."""
    if selector.device_id is not None:
        where = ""
        if not is_source and selector.addresses:
            where = (
                f" ({', '.join(map(format_address, selector.addresses))}{', new' if selector.moved else ''})"
            )
        return f"{label(selector.device_id)}{where}"
    if selector.segment == INTERNET and selector.addresses:
        addresses = ", ".join(map(format_address, selector.addresses))
        return f"{selector.name} ({addresses})" if selector.name else addresses
    return _SEGMENT_WORDS[selector.segment]


def entry_words(entry: Entry, label: Callable[[str], str]) -> str:
    """One entry as a line of text."""
    family = {"ipv4": "IPv4", "ipv6": "IPv6", None: "IPv4 and IPv6"}[entry.family]
    what = entry.transport or "everything"
    if entry.port is not None:
        what += f" port {entry.port}"
    return (
        f"{entry.forwarding}: {selector_words(entry.source, label, is_source=True)} to "
        f"{selector_words(entry.destination, label, is_source=False)}, {what}, {family}"
    )


def write_steps(layout: Layout, addressing: Addressing, label: Callable[[str], str]) -> tuple[Step, ...]:
    """The steps of one layout, in order."""
    makers = {
        "as-it-is": _as_it_is,
        "internet-blocked": _internet_blocked,
        "own-access-point": _own_access_point,
    }
    base = layout.layout_id.removesuffix("-show-moves").removesuffix("-hub-moves")
    if base in makers:
        return tuple(makers[base](layout, label))
    if base.startswith("guest"):
        return tuple(_guest(layout, label))
    if base.endswith("second-router"):
        return tuple(_second_router(layout, label))
    return tuple(_vlan(layout, addressing, label))


def _movers(layout: Layout, label: Callable[[str], str]) -> str:
    return ", ".join(sorted(label(device_id) for device_id in layout.moves)) or "the lights"


def _as_it_is(_: Layout, __: Callable[[str], str]) -> Iterable[Step]:
    yield Step(
        do="Leave the network as it is. On the light itself set a password where it has one, and switch off "
        "services that nobody uses.",
        stops="nothing in the network; what the light refuses without its password",
        test="open the light's page from a device that never did, and see whether it asks for the password",
        undo="take the password away, switch the services on again",
    )


def _internet_blocked(_: Layout, __: Callable[[str], str]) -> Iterable[Step]:
    yield Step(
        do="In the router find the setting that stops a device's way to the internet, and set it for each "
        "light.",
        stops="its cloud, its updates, its time from outside",
        test="record ten minutes again and compare: attempts at the outside stay unanswered, over IPv4 "
        "and IPv6",
        undo="take the setting away again",
    )


def _own_access_point(_: Layout, __: Callable[[str], str]) -> Iterable[Step]:
    yield Step(
        do="Before filming set the light to open its own access point, with a password, and join it with the "
        "phone or show computer.",
        stops="the hub, the cloud, the time, and the phone's own internet while it is joined",
        test="switch the light; then see that the phone finds nothing else on that network",
        undo="set the light back to the home network",
    )


def _guest(layout: Layout, label: Callable[[str], str]) -> Iterable[Step]:
    is_isolated = any(one.clients_reach_each_other is False for one in layout.segments)
    yield Step(
        do=f"Switch the router's guest network on and move {_movers(layout, label)} to it"
        + (" (clients parted from each other)." if is_isolated else ", with client isolation off."),
        stops="everything between the main network and the lights, both ways"
        + ("; everything between the lights" if is_isolated else ""),
        test="from the guest network try to open the router's page and a main device: neither may answer; "
        "the "
        "addresses there must come from another subnet",
        undo="move the devices back with the old network name and password",
    )


def _second_router(layout: Layout, __: Callable[[str], str]) -> Iterable[Step]:
    is_behind = layout.layout_id.startswith("lights")
    who = "the lights" if is_behind else "the household's own devices"
    yield Step(
        do=f"Put a second router behind the first one and join {who} to it, with a subnet of its own.",
        stops=f"whatever begins outside and wants to reach {who}; finding devices automatically",
        test="from the first router's network try to reach a device behind the second one: no answer, "
        "over IPv4 "
        "and IPv6",
        undo="join the devices to the first router again",
    )


def _vlan(layout: Layout, addressing: Addressing, label: Callable[[str], str]) -> Iterable[Step]:
    prefix = addressing.lights_prefix
    subnet = str(prefix) if prefix is not None else "a subnet nobody uses"
    yield Step(
        do=f"In the router make a new segment (VLAN) with the subnet {subnet}, its own IPv6 /64 where the "
        f"provider "
        "gives one, and the router as server of leases and names.",
        stops="nothing yet",
        test="a device joined to it gets an address of that subnet",
        undo="delete the segment",
    )
    yield Step(
        do="Give it a wireless name of its own, with a new password, and leave client isolation off there.",
        stops="nothing yet",
        test="join with a phone, open a page, leave again",
        undo="delete the wireless name",
    )
    for device_id in sorted(layout.moves, key=label):
        planned = addressing.planned.get(device_id)
        device = addressing.devices[device_id]
        links = device.link_addresses if device.is_chosen else ()  # others are known by their role
        link = f" (link address {format_link(links[0])})" if links else ""
        lease = f" and give it the fixed lease {format_address(planned)}" if planned is not None else ""
        yield Step(
            do=f"Move {label(device_id)}{link} to it{lease}.",
            stops="its conversations with the main network, until the next step",
            test="it answers an echo at its new address",
            undo="join it to the old network again; its old lease still stands",
        )
    yield Step(
        do="Enter the list of entries in this order, for IPv4 and IPv6 alike, with replies let through by "
        "state; or load the written rule file on a router that takes it. Then restart the lights: a "
        "conversation that is open already goes on until it ends.",
        stops="everything that no entry lets through",
        test="do every wish once; then from the lights' segment try to open the router's page and a main "
        "device: "
        "neither may answer",
        undo="delete the entries; for the rule file its first lines name the one command",
    )
    if layout.is_relayed:
        yield Step(
            do="Switch on the router's relay of multicast DNS between both segments, for the needed "
            "service types "
            "alone where it can choose.",
            stops="nothing; what one side announces, the other hears as well",
            test="open the app: does it find the light by itself? Where it does not (RFC 6762 section "
            "11), type the "
            "light's fixed address",
            undo="switch the relay off",
        )


def beside_the_rules(
    layout: Layout, families: frozenset[str], destinations: Iterable[Entry]
) -> tuple[str, ...]:
    """What must be set up beside the rules, or they break the wishes."""
    if not layout.moves:
        return ()
    lines = [
        "Fixed leases: a rule or an app that names an address needs the lease that keeps it.",
        "The new segment needs leases (DHCP), names (DNS) and, where wished, the time from somewhere.",
        (
            "Where switches or access points snoop on groups (RFC 4541), the new segment needs a querier, or "
            "group "
            "traffic stops after some minutes."
        ),
        "The router's admin page must not open from the lights' segment.",
    ]
    if layout.router == "vlan":
        lines.append(
            "IPv6 needs the same rules as IPv4. ICMPv6 must pass as listed (RFC 4890); too-big messages "
            "pass by state. "
            "Whether the router stops calls from the internet over IPv6 by itself is its maker's choice "
            "(RFC 6092, RFC 7084 leave both open): test from outside."
        )
    if "ipv6" not in families:
        lines.append(
            "No IPv6 conversation was recorded, so no IPv6 exception is listed; the walls stand for both."
        )
    if "ipv4" not in families:
        lines.append(
            "No IPv4 conversation was recorded, so no IPv4 exception is listed; the walls stand for both."
        )
    named = sorted({entry.destination.name or "" for entry in destinations} - {""})
    if named:
        lines.append(
            f"Rules hold addresses, not names: {', '.join(named)} may move to others; look again when it "
            f"stops."
        )
    return tuple(lines)


def foretell(wishes: Iterable[WishResult], retries: dict[str, float]) -> tuple[str, ...]:
    """What the devices will do once something is cut, as far as the recording lets us say."""
    lines = [
        f"{who} tries every {_seconds(seconds)} as recorded; once cut it will most likely go on trying."
        for who, seconds in sorted(retries.items())
    ]
    if any(wish.state == "unknown" for wish in wishes):
        lines.append("Wishes marked unknown were not recorded in use: nothing is proven about them.")
    lines.append(
        "What devices fall back to when a way is cut (other hosts, other ports) is not in this recording: "
        "record "
        "again afterwards and compare."
    )
    return tuple(lines)


def _seconds(seconds: float) -> str:
    return f"{seconds:.3g} s"
