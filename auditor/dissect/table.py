"""
The table of dissectors, in the order in which they are tried.

Dispatch is a table, not discovery: a test checks that every module of
``auditor.dissect.protocols`` stands here.  Order decides only where octets
could be two things: the more telling beginning comes first.
"""

from __future__ import annotations

from importlib import import_module

from auditor.dissect.registry import Dissector

PROTOCOLS = (
    *("tls", "http", "mqtt", "dns", "mdns", "dhcp", "ntp", "ssdp"),
    *("e131", "artnet", "knxnet", "ddp", "osc"),
    *("igmp", "mld"),
    *("eapol", "lldp", "wireless", "gre", "vxlan"),
    *("neighbour", "dhcpv6", "llmnr", "nbns", "wsdiscovery"),
    *("dtls", "coap", "tftp", "ssh", "rtsp", "http2", "smb", "ftp", "telnet", "websocket", "raw_json"),
    *("quic", "stun", "natpmp", "pcp"),
)
"""Modules of ``auditor.dissect.protocols``; each has ``DISSECTOR``, or ``DISSECTORS`` for several rows."""


def _rows() -> tuple[Dissector, ...]:
    rows: list[Dissector] = []
    for name in PROTOCOLS:
        module = import_module(f"auditor.dissect.protocols.{name}")
        several: tuple[Dissector, ...] | None = getattr(module, "DISSECTORS", None)
        if several is not None:
            rows.extend(several)
        elif (one := getattr(module, "DISSECTOR", None)) is not None:
            rows.append(one)
    return tuple(rows)


DISSECTORS: tuple[Dissector, ...] = _rows()
