"""
Link headers: where the network header begins, what it is, and whose frame it was.

Standards: draft-ietf-opsawg-pcaplinktype; IEEE 802.3 (Ethernet);
           LINKTYPE_LINUX_SLL and SLL2 as that registry describes them;
           RFC 1661 section 2 and RFC 1662 section 3.1 (PPP).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.packets.batch import (
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    UNDECODED_LINK,
    Int64Column,
)
from auditor.packets.ethertypes import ETHERTYPE_PPPOE, LEAST_ETHERTYPE, read_ppp_protocol
from auditor.packets.link_columns import LinkColumns, Rows, leave_short
from auditor.packets.view import HeaderView, link_words
from auditor.packets.wireless import decode_ieee802_11, decode_radiotap
from auditor.registries import (
    LINK_ETHERNET,
    LINK_IEEE802_11,
    LINK_IEEE802_11_RADIOTAP,
    LINK_IPV4,
    LINK_IPV6,
    LINK_LINUX_SLL,
    LINK_LINUX_SLL2,
    LINK_LOOP,
    LINK_NULL,
    LINK_PPP,
    LINK_PPP_ETHER,
    LINK_PPP_HDLC,
    LINKS_RAW,
)

ETHERNET_HEADER = np.dtype(
    [("d4", "<u4"), ("d2", "<u2"), ("s4", "<u4"), ("s2", "<u2"), ("type", ">u2")]
)  # fmt: skip
SLL_HEADER = np.dtype(
    [("packet_type", ">u2"), ("hardware", ">u2"), ("length", ">u2"), ("a4", "<u4"), ("a2", "<u2"),
     ("pad", "V2"), ("type", ">u2")]
)  # fmt: skip
SLL2_HEADER = np.dtype(
    [("type", ">u2"), ("reserved", "V2"), ("interface", ">u4"), ("hardware", ">u2"), ("packet_type", "u1"),
     ("length", "u1"), ("a4", "<u4"), ("a2", "<u2"), ("pad", "V2")]
)  # fmt: skip

SLL_LLC = 4  # the registry's page: a frame that begins with an LLC header
ARPHRD_NETLINK, ARPHRD_GRE, ARPHRD_RADIOTAP = 824, 778, 803  # the protocol field is no ethertype, same page

# BSD address families in the four octets of LINKTYPE_NULL and LINKTYPE_LOOP (the registry's page).
FAMILY_IPV4, FAMILIES_IPV6 = 2, (24, 28, 30)


def decode_links(
    view: HeaderView, offsets: Int64Column, captured: Int64Column, link_type: Int64Column
) -> LinkColumns:
    """Decode the link headers of one chunk; ``link_type`` may be a broadcast."""
    count = len(offsets)
    end = offsets + captured
    columns = LinkColumns(
        source=np.zeros(count, np.uint64),
        destination=np.zeros(count, np.uint64),
        ethertype=np.zeros(count, np.int64),
        network=offsets.copy(),
        end=end,
        marks=np.zeros(count, np.uint8),
        vlan_id=np.zeros(count, np.uint32),
    )
    if not count:
        return columns
    if link_type.strides == (0,) or bool((link_type == link_type[0]).all()):
        _decode_one_type(view, columns, slice(None), int(link_type[0]))
        return columns
    for number in np.flatnonzero(np.bincount(link_type)).tolist():
        _decode_one_type(view, columns, np.flatnonzero(link_type == number), number)
    return columns


def _decode_one_type(view: HeaderView, columns: LinkColumns, rows: Rows, number: int) -> None:
    decoder = _DECODERS.get(number)
    if decoder is None:
        columns.marks[rows] |= UNDECODED_LINK
        return
    decoder(view, columns, rows)


def _ethernet(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    rows = leave_short(columns, rows, 14)
    heads = view.take(columns.network[rows], ETHERNET_HEADER)
    columns.destination[rows] = link_words(heads["d4"], heads["d2"])
    columns.source[rows] = link_words(heads["s4"], heads["s2"])
    columns.ethertype[rows] = heads["type"]
    columns.network[rows] += 14


def _sll(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    rows = leave_short(columns, rows, 16)
    heads = view.take(columns.network[rows], SLL_HEADER)
    _finish_sll(columns, rows, heads, 16)


def _sll2(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    rows = leave_short(columns, rows, 20)
    heads = view.take(columns.network[rows], SLL2_HEADER)
    _finish_sll(columns, rows, heads, 20)


def _finish_sll(columns: LinkColumns, rows: Rows, heads: npt.NDArray[Any], octets: int) -> None:
    source = link_words(heads["a4"], heads["a2"])
    source[heads["length"] != 6] = 0
    columns.source[rows] = source
    ethertype = heads["type"].astype(np.int64)
    hardware = heads["hardware"]
    foreign = (hardware == ARPHRD_NETLINK) | (hardware == ARPHRD_GRE) | (hardware == ARPHRD_RADIOTAP)
    no_type = (ethertype < LEAST_ETHERTYPE) & (ethertype != SLL_LLC)
    ethertype[foreign | no_type] = 0
    columns.ethertype[rows] = ethertype
    columns.network[rows] += octets


def _loopback(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    """LINKTYPE_NULL is in the host's byte order, LINKTYPE_LOOP in network order: the small value tells."""
    rows = leave_short(columns, rows, 4)
    families = view.take(columns.network[rows], np.dtype("<u4")).astype(np.uint32)
    families = np.where(families > 0xFFFF, families.byteswap(), families)
    ethertype = np.zeros(len(families), np.int64)
    ethertype[families == FAMILY_IPV4] = ETHERTYPE_IPV4
    ethertype[np.isin(families, FAMILIES_IPV6)] = ETHERTYPE_IPV6
    columns.ethertype[rows] = ethertype
    columns.network[rows] += 4


def _raw(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    rows = leave_short(columns, rows, 1)
    version = view.take(columns.network[rows], np.dtype("u1")) >> 4
    ethertype = np.zeros(len(version), np.int64)
    ethertype[version == 4] = ETHERTYPE_IPV4
    ethertype[version == 6] = ETHERTYPE_IPV6
    columns.ethertype[rows] = ethertype


def _ipv4(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:  # noqa: ARG001 - one shape for all decoders
    columns.ethertype[rows] = ETHERTYPE_IPV4


def _ipv6(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:  # noqa: ARG001 - one shape for all decoders
    columns.ethertype[rows] = ETHERTYPE_IPV6


def _ppp(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:
    rows = leave_short(columns, rows, 2)
    at = columns.network[rows]
    # RFC 1662 3.1: address ff and control 03, which may be left off.
    framed = view.take(at, np.dtype(">u2")) == 0xFF03
    at = at + np.where(framed, 2, 0)
    ethertype, at = read_ppp_protocol(view, at, columns.end[rows])
    columns.ethertype[rows] = ethertype
    columns.network[rows] = at


def _ppp_ether(view: HeaderView, columns: LinkColumns, rows: Rows) -> None:  # noqa: ARG001 - one shape for all
    columns.ethertype[rows] = ETHERTYPE_PPPOE


_DECODERS: dict[int, Callable[[HeaderView, LinkColumns, Rows], None]] = {
    LINK_ETHERNET: _ethernet,
    LINK_LINUX_SLL: _sll,
    LINK_LINUX_SLL2: _sll2,
    LINK_NULL: _loopback,
    LINK_LOOP: _loopback,
    LINK_IPV4: _ipv4,
    LINK_IPV6: _ipv6,
    LINK_PPP: _ppp,
    LINK_PPP_HDLC: _ppp,
    LINK_PPP_ETHER: _ppp_ether,
    LINK_IEEE802_11: decode_ieee802_11,
    LINK_IEEE802_11_RADIOTAP: decode_radiotap,
    **dict.fromkeys(LINKS_RAW, _raw),
}
