"""
The text of a capture filter at the gate: words of its grammar and numbers pass, names of hosts do not.

Grammar: pcap-filter(7) of the packet capture library, primitives and operators (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable

from auditor.capture.pcapng_blocks import FILTERED_BY

HIDDEN_WORD = "(word hidden)"

_GRAMMAR = frozenset({
    "and", "or", "not", "host", "net", "port", "portrange", "src", "dst", "ether", "ip", "ip6",
    "arp", "rarp", "tcp", "udp", "icmp", "icmp6", "igmp", "igrp", "pim", "ah", "esp", "vrrp",
    "sctp", "proto", "protochain", "mask", "less", "greater", "gateway", "broadcast", "multicast",
    "inbound", "outbound", "vlan", "mpls", "pppoed", "pppoes", "wlan", "type", "subtype", "mgt",
    "ctl", "data", "beacon", "ra", "ta", "addr1", "addr2", "addr3", "addr4", "len", "compiled",
})  # fmt: skip
_WORD = re.compile(r"[^\s()\[\]{}!&|=<>,+*/^%]+")
_NUMBER = re.compile(r"(?:0x[0-9a-f]+|[0-9]+(?:-[0-9]+)?(?::[0-9]+)?)", re.IGNORECASE | re.ASCII)


def hide_filter_words(text: str, may_pass: Callable[[str], bool]) -> str:
    """``text`` with what follows the filter's announcement hidden word by word, but for what ``may_pass``."""
    head, mark, told = text.partition(FILTERED_BY)
    if not mark:
        return text

    def shown(match: re.Match[str]) -> str:
        word = match.group()
        known = word.lower() in _GRAMMAR or _NUMBER.fullmatch(word) is not None
        return word if known or may_pass(word) else HIDDEN_WORD

    return head + mark + _WORD.sub(shown, told)
