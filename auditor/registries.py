"""
Numbers that others assign: link types, internet protocols, ports.

Sources: LINKTYPE registry (draft-ietf-opsawg-pcaplinktype), written from
         memory and checked against the tables of two capture libraries in the
         tests; names that carry a maker's name are left out.
         IANA Protocol Numbers; IANA Service Name and Transport Protocol Port
         Number Registry (RFC 6335), the extract of open standards of 2024-06-11.
"""

from __future__ import annotations

LINK_ETHERNET = 1
LINK_NULL = 0
LINK_PPP = 9
LINK_PPP_HDLC = 50
LINK_PPP_ETHER = 51
LINK_IEEE802_11 = 105
LINK_LOOP = 108
LINK_LINUX_SLL = 113
LINK_IEEE802_11_RADIOTAP = 127
LINK_IPV4 = 228
LINK_IPV6 = 229
LINK_LINUX_SLL2 = 276
LINKS_RAW = (12, 14, 101)  # 101 in files; 12 and 14 are what some systems wrote before it was assigned

LINK_TYPE_NAMES: dict[int, str] = {
    0: "NULL", 1: "ETHERNET", 2: "EXP_ETHERNET", 3: "AX25", 4: "PRONET", 5: "CHAOS", 6: "IEEE802_5",
    7: "ARCNET_BSD", 8: "SLIP", 9: "PPP", 10: "FDDI", 12: "RAW", 14: "RAW", 50: "PPP_HDLC", 51: "PPP_ETHER",
    100: "ATM_RFC1483", 101: "RAW", 104: "C_HDLC", 105: "IEEE802_11", 107: "FRELAY", 108: "LOOP",
    113: "LINUX_SLL", 114: "LTALK", 117: "PFLOG", 119: "IEEE802_11_PRISM", 122: "IP_OVER_FC", 123: "SUNATM",
    127: "IEEE802_11_RADIOTAP", 129: "ARCNET_LINUX", 139: "MTP2_WITH_PHDR", 140: "MTP2", 141: "MTP3",
    142: "SCCP", 143: "DOCSIS", 144: "LINUX_IRDA", 163: "IEEE802_11_AVS", 165: "BACNET_MS_TP",
    166: "PPP_PPPD", 169: "GPRS_LLC", 170: "GPF_T", 171: "GPF_F", 177: "LINUX_LAPD", 182: "MFR",
    187: "BLUETOOTH_HCI_H4", 189: "USB_LINUX", 190: "CAN20B", 192: "PPI", 195: "IEEE802_15_4_WITHFCS",
    196: "SITA", 197: "ERF", 201: "BLUETOOTH_HCI_H4_WITH_PHDR", 202: "AX25_KISS", 203: "LAPD",
    204: "PPP_WITH_DIR", 205: "C_HDLC_WITH_DIR", 206: "FRELAY_WITH_DIR", 207: "LAPB_WITH_DIR",
    209: "I2C_LINUX", 210: "FLEXRAY", 211: "MOST", 212: "LIN", 215: "IEEE802_15_4_NONASK_PHY",
    220: "USB_LINUX_MMAPPED", 224: "FC_2", 225: "FC_2_WITH_FRAME_DELIMS", 226: "IPNET",
    227: "CAN_SOCKETCAN", 228: "IPV4", 229: "IPV6", 230: "IEEE802_15_4_NOFCS", 231: "DBUS", 235: "DVB_CI",
    236: "MUX27010", 237: "STANAG_5066_D_PDU", 239: "NFLOG", 242: "IPOIB", 243: "MPEG_2_TS", 244: "NG40",
    245: "NFC_LLCP", 247: "INFINIBAND", 248: "SCTP", 250: "RTAC_SERIAL", 251: "BLUETOOTH_LE_LL",
    253: "NETLINK", 254: "BLUETOOTH_LINUX_MONITOR", 255: "BLUETOOTH_BREDR_BB",
    256: "BLUETOOTH_LE_LL_WITH_PHDR", 257: "PROFIBUS_DL", 258: "PKTAP", 259: "EPON", 260: "IPMI_HPM_2",
    261: "ZWAVE_R1_R2", 262: "ZWAVE_R3", 264: "ISO_14443", 265: "RDS", 268: "SDLC", 270: "LORATAP",
    271: "VSOCK", 273: "DOCSIS31_XRA31", 274: "ETHERNET_MPACKET", 275: "DISPLAYPORT_AUX",
    276: "LINUX_SLL2", 279: "OPENVIZSLA", 280: "EBHSCR", 281: "VPP_DISPATCH", 283: "IEEE802_15_4_TAP",
    288: "USB_2_0", 289: "ATSC_ALP", 290: "ETW", 292: "ZBOSS_NCP",
    **{number: f"USER{number - 147}" for number in range(147, 163)},
}  # fmt: skip
"""Registry name by number, ``LINKTYPE_`` left off."""

PROTOCOL_NAMES: dict[int, str] = {
    1: "icmp", 2: "igmp", 6: "tcp", 17: "udp", 33: "dccp", 41: "ipv6", 47: "gre", 50: "esp", 51: "ah",
    58: "icmpv6", 88: "eigrp", 89: "ospf", 103: "pim", 112: "vrrp", 115: "l2tp", 132: "sctp", 136: "udplite",
}  # fmt: skip
"""IANA keyword in lower case, ``IPv6-ICMP`` as the house writes it: ``icmpv6``."""

_BOTH = {
    21: "ftp", 22: "ssh", 23: "telnet", 53: "domain", 67: "bootps", 68: "bootpc", 69: "tftp", 80: "http",
    123: "ntp", 137: "netbios-ns", 138: "netbios-dgm", 139: "netbios-ssn", 161: "snmp", 322: "rtsps",
    443: "https", 502: "mbap", 546: "dhcpv6-client", 547: "dhcpv6-server", 554: "rtsp", 591: "http-alt",
    853: "domain-s", 990: "ftps", 1883: "mqtt", 1900: "ssdp", 3671: "efcp", 3702: "ws-discovery",
    5353: "mdns", 5355: "llmnr", 5540: "matter", 5568: "sdt", 5683: "coap", 5684: "coaps",
    6514: "syslog-tls", 8008: "http-alt", 8080: "http-alt", 8883: "secure-mqtt", 17755: "zigbee-ip",
    17756: "zigbee-ips", 47808: "bacnet",
}  # fmt: skip
_TCP_ONLY = {4460: "ntske", 5569: "rdmnet-ctrl"}
_UDP_ONLY = {
    514: "syslog", 2378: "dali", 4173: "mma-discovery", 5350: "pcp-multicast", 5351: "pcp",
    5569: "rdmnet-device", 19788: "mle",
}  # fmt: skip
_SERVICES = {"tcp": _BOTH | _TCP_ONLY, "udp": _BOTH | _UDP_ONLY}


def link_type_name(number: int) -> str:
    """Registry name of a link type, ``LINKTYPE_n`` where we know none."""
    return LINK_TYPE_NAMES.get(number, f"LINKTYPE_{number}")


def protocol_name(number: int) -> str | None:
    """Keyword of an internet protocol number, or None."""
    return PROTOCOL_NAMES.get(number)


def service_name(transport: str, port: int) -> str | None:
    """IANA service name of a ``tcp`` or ``udp`` port, or None.  A number alone proves no protocol."""
    return _SERVICES.get(transport, {}).get(port)
