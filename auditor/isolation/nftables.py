"""
A plan as an nftables ruleset: one table of its own, replaced as a whole or not at all.

The table holds no accept that could undo somebody else's drop: in nftables an
accept ends one chain alone, a drop ends the packet.  Names of interfaces stand
at the top, because no recording knows them.  Texts from the recording reach
comments alone, through ``comment_text``.
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.addresses import Address, format_address, format_link, is_ipv4
from auditor.isolation.model import LIGHTS, MAIN, Entry, Layout, Selector
from auditor.registries import PROTOCOL_NAMES

TABLE = "lighting_isolation"
MAX_COMMENT_CHARACTERS = 120
"""nftables keeps 128 octets of a comment, the closing one included."""

_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:;()/+-_='")
_NUMBERS = {word: number for number, word in PROTOCOL_NAMES.items()}


def render_nftables(layout: Layout, *, title: str, is_commented: bool = True) -> str:
    """
    The rules of a layout; loads with ``nft -c -f``.

    A layout without entries gives a table without rules: nothing is enforced.
    ``is_commented`` puts the reason beside each rule.
    """
    lines = [
        "#!/usr/sbin/nft -f",
        f"# {comment_text(title)}",
        f"# Undo: nft delete table inet {TABLE}",
        "# First set the names of the interfaces as they are on your router. Check: nft -c -f rules.nft",
        f'define {MAIN}_interface = "main0"',
    ]
    if _has_lights(layout):
        lines.append(f'define {LIGHTS}_interface = "lights0"')
    lines += [
        "",
        f"add table inet {TABLE}",
        f"delete table inet {TABLE}",
        f"table inet {TABLE} {{",
        "  chain forward {",
        "    type filter hook forward priority filter; policy accept;",
        '    ct state established,related accept comment "replies and errors follow what was let through"',
        *_rules(layout, "router-forward", is_commented),
        "  }",
        "  chain input {",
        "    type filter hook input priority filter; policy accept;",
        '    ct state established,related accept comment "replies follow what was let through"',
        *_rules(layout, "router-input", is_commented),
        "  }",
        "}",
    ]
    return "\n".join(lines) + "\n"


def comment_text(text: str) -> str:
    """A text that cannot leave its quotes or its line: letters, digits and plain marks, bounded."""
    plain = "".join(character if character in _PLAIN else "?" for character in text)
    return plain[:MAX_COMMENT_CHARACTERS]


def _has_lights(layout: Layout) -> bool:
    return any(one.name == LIGHTS for one in layout.segments)


def _rules(layout: Layout, enforced_by: str, is_commented: bool) -> Iterable[str]:
    for entry in layout.entries:
        if entry.enforced_by == enforced_by:
            yield f"    {rule_text(entry, has_lights=_has_lights(layout), is_commented=is_commented)}"


def rule_text(entry: Entry, *, has_lights: bool = True, is_commented: bool = True) -> str:
    """One entry as one rule."""
    words = [
        *_interface("iifname", entry.source, has_lights),
        *(
            _interface("oifname", entry.destination, has_lights)
            if entry.enforced_by == "router-forward"
            else ()
        ),
    ]
    if entry.source.link_address is not None and entry.source.device_id is not None:
        words.append(f"ether saddr {format_link(entry.source.link_address)}")
    addresses = [a for a in entry.destination.addresses if entry.family is None or _family(a) == entry.family]
    if addresses:
        keyword = "ip" if is_ipv4(addresses[0]) else "ip6"
        same = [address for address in addresses if is_ipv4(address) == is_ipv4(addresses[0])]
        words.append(f"{keyword} daddr {{ {', '.join(map(format_address, same))} }}")
    elif entry.family is not None and entry.transport not in {"icmp", "icmpv6"}:
        words.append(f"meta nfproto {entry.family}")
    words += _transport(entry)
    words.append(entry.forwarding)
    if is_commented:
        words.append(f'comment "{comment_text(_comment(entry))}"')
    return " ".join(words)


def _comment(entry: Entry) -> str:
    packets = ", ".join(str(packet.packet_number) for packet in entry.because)
    name = f"{entry.destination.name}: " if entry.destination.name else ""
    return f"{name}{entry.reason}" + (f" (packet {packets})" if packets else "")


def _family(address: Address) -> str:
    return "ipv4" if is_ipv4(address) else "ipv6"


def _interface(keyword: str, selector: Selector, has_lights: bool) -> list[str]:
    match selector.segment:
        case "lights":
            return [f"{keyword} ${LIGHTS}_interface"]
        case "main":
            return [f"{keyword} ${MAIN}_interface"]
        case "internet":
            inside = f"{{ ${MAIN}_interface, ${LIGHTS}_interface }}" if has_lights else f"${MAIN}_interface"
            return [f"{keyword} != {inside}"]
    return []


def _transport(entry: Entry) -> list[str]:
    types = f"{{ {', '.join(map(str, entry.message_types))} }}"
    match entry.transport:
        case None:
            return []
        case "tcp" | "udp":
            return (
                [f"meta l4proto {entry.transport}"]
                if entry.port is None
                else [f"{entry.transport} dport {entry.port}"]
            )
        case "icmp":
            return [f"icmp type {types}"] if entry.message_types else ["meta l4proto 1"]
        case "icmpv6":
            return [f"icmpv6 type {types}"] if entry.message_types else ["meta l4proto 58"]
    number = _NUMBERS.get(entry.transport)
    return [f"meta l4proto {entry.transport.removeprefix('protocol-') if number is None else number}"]
