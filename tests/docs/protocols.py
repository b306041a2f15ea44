"""
The table of protocols on the developers' page: ``python -m tests.docs.protocols`` renews it.

The standards stand in each module's own docstring; what it is compared with, and where it is recorded live, stand here.
"""

import ast
import re

from tests.docs.provisions import PAGE, ROOT

MARK = "<!-- protocols -->\n"
FOLDER = ROOT / "auditor" / "dissect" / "protocols"
LAB = ROOT / "tests" / "lab"

ORACLES = {
    "artnet": "field tables of Art-Net 4, through a third party; stupidArtnet",
    "coap": "RFC 7252 appendix A; aiocoap",
    "ddp": "the field table of DDP; python-led-ddp",
    "dhcp": "RFC 2131 figure 1, RFC 2132; scapy",
    "dhcpv6": "RFC 8415; scapy",
    "dns": "RFC 8484 sections 4.1.1 and 4.2.2; dnspython",
    "dtls": "handshakes of OpenSSL; RFC 9147 by hand",
    "e131": "ANSI E1.31-2018 appendix B, through sacn's tests; sacn",
    "eapol": "scapy",
    "ftp": "RFC 959 section 5.4 and appendix of reply codes",
    "gre": "scapy",
    "http": "RFC 7617, RFC 7616, RFC 9112; h11",
    "http2": "h2",
    "igmp": "RFC 3376 figures; scapy, published recordings",
    "knxnet": "xknx, scapy",
    "lldp": "scapy",
    "llmnr": "scapy, dnspython",
    "mdns": "RFC 6762; zeroconf",
    "mld": "RFC 3810 figures; scapy",
    "mqtt": "tables of MQTT 3.1.1 and 5.0; amqtt",
    "natpmp": "figures of RFC 6886; no library at hand",
    "nbns": "RFC 1002's FRED; scapy",
    "neighbour": "scapy",
    "ntp": "RFC 5905 figure 8; ntplib, scapy",
    "osc": "OSC 1.0, page of examples; python-osc",
    "pcp": "figures of RFC 6887; no library at hand",
    "quic": "RFC 9001 appendix A; aioquic",
    "raw_json": "RFC 8259 section 13, JSON-RPC 2.0 section 7; the standard library",
    "rtsp": "RFC 2326's examples",
    "smb": "scapy",
    "ssdp": "UPnP Device Architecture 2.0 (from memory); h11",
    "ssh": "RFC 4253 section 4.2",
    "stun": "RFC 5769 (from memory, proven by its checksums); aioice, scapy",
    "telnet": "RFC 854, RFC 857",
    "tftp": "scapy",
    "tls": "RFC 8448 section 3; the standard library, scapy",
    "vxlan": "scapy",
    "websocket": "RFC 6455 sections 1.2, 1.3 and 5.7; wsproto",
    "wireless": "scapy",
    "wsdiscovery": "WSDiscovery",
}
"""What the dissector's tests compare with, by module."""

LIVE = {
    "artnet": ("test_show.py", "stupidArtnet to a node; an aioartnet node polled and answering"),
    "coap": ("test_gadget.py", "aiocoap both ways: 2.05, 2.04, 4.04, 4.01, blocks"),
    "ddp": ("test_show.py", "python-led-ddp"),
    "dhcp": ("test_addresses.py", "dnsmasq, udhcpc"),
    "dhcpv6": ("test_addresses.py", "dnsmasq, dhclient"),
    "dns": ("test_evening.py", "dnsmasq, dnspython"),
    "dtls": ("test_outside.py", "OpenSSL 3.0: version 1.2 with a cookie"),
    "e131": ("test_show.py", "sacn: data, synchronisation, discovery, end"),
    "ftp": ("test_shells.py", "pyftpdlib: login, refusal, anonymous"),
    "http": ("test_gadget.py", "aiohttp: Basic, Digest, bearer, cookie, events"),
    "http2": ("test_gadget.py", "curl with prior knowledge; no server here speaks it"),
    "igmp": ("test_discovery.py", "the kernel"),
    "knxnet": ("test_show.py", "xknx: routing; tunnelling to a gateway of ours that xknx's frames make"),
    "lldp": ("test_discovery.py", "lldpd"),
    "llmnr": ("test_discovery.py", "llmnrd, llmnr-query"),
    "mdns": ("test_discovery.py", "zeroconf: probe, announcement, browser, goodbye"),
    "mld": ("test_addresses.py", "the kernel"),
    "mqtt": ("test_broker.py", "mosquitto: 3.1.1 and 5, anonymous, login, refused"),
    "natpmp": ("test_outside.py", "miniupnpd, natpmpc: granted, granted elsewhere"),
    "nbns": ("test_discovery.py", "nbtscan; nothing answers"),
    "neighbour": ("test_addresses.py", "the kernel, dnsmasq, rdisc6"),
    "ntp": ("test_evening.py", "chrony, ntplib"),
    "osc": ("test_show.py", "python-osc: datagrams, bundles, SLIP, length"),
    "pcp": ("test_outside.py", "a vector sent to miniupnpd"),
    "quic": ("test_outside.py", "aioquic: versions 1 and 2"),
    "raw_json": ("test_gadget.py", "the standard library's JSON over TCP and UDP"),
    "rtsp": ("test_gadget.py", "curl; no server here speaks it"),
    "ssdp": (
        "test_discovery.py",
        "ssdp: alive, search, response, byebye; miniupnpd and miniupnpc in test_outside.py",
    ),
    "ssh": ("test_shells.py", "asyncssh"),
    "stun": ("test_outside.py", "coturn: binding, and a relay behind a login"),
    "telnet": ("test_shells.py", "telnetlib3: negotiation and login"),
    "tftp": ("test_shells.py", "dnsmasq's server, curl"),
    "tls": ("test_outside.py", "the standard library: 1.3 and 1.2"),
    "vxlan": ("test_tunnels.py", "the kernel"),
    "websocket": ("test_gadget.py", "aiohttp, opened as a page of another site would"),
    "wsdiscovery": ("test_discovery.py", "WSDiscovery: hello, probe"),
}
"""Where the lab records it, and who speaks there, by module."""

TITLES = {
    "dtls": "DTLS", "ftp": "FTP", "http": "HTTP/1", "http2": "HTTP/2 in the clear", "igmp": "IGMP", "mld": "MLD", "mqtt": "MQTT",
    "nbns": "NetBIOS names", "raw_json": "JSON, bare", "ssh": "SSH", "tftp": "TFTP", "tls": "TLS", "websocket": "WebSocket",
    "wireless": "IEEE 802.11 management",
}  # fmt: skip
"""Shorter names than the first lines of the modules."""

NOT_LIVE = {
    "eapol": "no wireless network can be made here, and homes do not log in by wire",
    "gre": "the kernels of the test machines have no such device",
    "smb": "a server of it (19 packages) is a lot for the two messages that are read",
    "wireless": "the test machines have no radio, and their kernels none that is simulated",
}
"""Why the lab does not record it, by module."""


def modules() -> list[str]:
    """Every protocol that is read."""
    return sorted(path.stem for path in FOLDER.glob("*.py") if path.stem != "__init__")


def standards(module: str) -> str:
    """What the module itself says that it follows, on one line."""
    text = ast.get_docstring(ast.parse((FOLDER / f"{module}.py").read_text("utf-8"))) or ""
    said = re.search(r"^Standards?:(.*?)^(?:Reads|Keeps):", text, re.MULTILINE | re.DOTALL)
    return " ".join(said[1].split()).rstrip(".").replace("``", "`") if said else ""


def title(module: str) -> str:
    """What the protocol is called, by the first line of the module."""
    text = ast.get_docstring(ast.parse((FOLDER / f"{module}.py").read_text("utf-8"))) or ""
    return TITLES.get(module) or text.splitlines()[0].rstrip(".").split(":")[0]


def table() -> list[str]:
    """Rows for the page."""
    lines = [
        "| protocol | file | standard and section | compared with | recorded live |",
        "|---|---|---|---|---|",
    ]
    for module in modules():
        if module in LIVE:
            file, who = LIVE[module]
            live = f"`{file}`: {who}"
        else:
            live = f"no: {NOT_LIVE[module]}"
        cells = (title(module), f"`{module}.py`", standards(module), ORACLES[module], live)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return lines


def shown() -> list[str]:
    """The table as it stands on the page."""
    return PAGE.read_text(encoding="utf-8").split(MARK, 1)[1].split("\n\n", 1)[0].splitlines()


def renew() -> None:
    """Write the table anew."""
    before, after = PAGE.read_text(encoding="utf-8").split(MARK, 1)
    rest = after.partition("\n\n")[2]
    PAGE.write_text(
        before + MARK + "\n".join(table()) + "\n" + (f"\n{rest}" if rest else ""), encoding="utf-8"
    )


if __name__ == "__main__":
    renew()
