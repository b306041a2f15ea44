"""
What may stand between a link header and the network header: VLAN tags, LLC and SNAP, PPPoE.

Standards: IEEE 802.1Q (tags; 0x9100 is common practice from before 802.1ad),
           IEEE 802.2 and IEEE 802 (LLC, SNAP), RFC 1042, RFC 2516 section 4
           (PPPoE session), RFC 1661 section 2 (PPP protocol field, which RFC 1661
           6.5 lets shrink to one octet).
"""

from __future__ import annotations

import numpy as np

from auditor.packets.batch import ETHERTYPE_IPV4, ETHERTYPE_IPV6, SHORT_HEADERS, TUNNELLED, Int64Column
from auditor.packets.link_columns import LinkColumns
from auditor.packets.view import HeaderView

TAG_TYPES = (0x8100, 0x88A8, 0x9100)
ETHERTYPE_PPPOE = 0x8864
LEAST_ETHERTYPE = 0x0600  # IEEE 802.3 3.2.6: smaller values are lengths
# No network stacks more tags than a few; two are told apart, the rest are stepped over.
MAX_TAGS = 8

TAG = np.dtype([("control", ">u2"), ("type", ">u2")])
SNAP = np.dtype([("head", ">u4"), ("organisation", ">u2"), ("type", ">u2")])
# DSAP and SSAP aa, control 03, then the organisation: zero (RFC 1042) or 00 00 f8 (IEEE 802.1H).
SNAP_HEAD = 0xAAAA_0300
SNAP_ORGANISATIONS = (0x0000, 0x00F8)
PPPOE = np.dtype([("version", "u1"), ("code", "u1"), ("session", ">u2"), ("length", ">u2")])
PPPOE_VERSION_AND_CODE = (0x11, 0x00)
PPP_IPV4, PPP_IPV6 = 0x0021, 0x0057


def unwrap_ethertypes(view: HeaderView, columns: LinkColumns) -> None:
    """Step over tags, LLC and PPPoE, in that order, until an ethertype of a network header stands."""
    # All that must be unwrapped is rare; one look over the column finds it.
    ethertype = columns.ethertype
    special = np.flatnonzero((ethertype != ETHERTYPE_IPV4) & (ethertype != ETHERTYPE_IPV6) & (ethertype != 0))
    if not len(special):
        return
    _unwrap_tags(view, columns, special)
    _unwrap_llc(view, columns, special)
    _unwrap_pppoe(view, columns, special)


def _unwrap_tags(view: HeaderView, columns: LinkColumns, rows: Int64Column) -> None:
    for depth in range(MAX_TAGS):
        kinds = columns.ethertype[rows]
        rows = rows[(kinds == TAG_TYPES[0]) | (kinds == TAG_TYPES[1]) | (kinds == TAG_TYPES[2])]
        fits = columns.network[rows] + 4 <= columns.end[rows]
        columns.marks[rows[~fits]] |= SHORT_HEADERS
        rows = rows[fits]
        if not len(rows):
            return
        tags = view.take(columns.network[rows], TAG)
        if depth < 2:
            identifiers = (tags["control"] & 0x0FFF).astype(np.uint32)
            columns.vlan_id[rows] = (columns.vlan_id[rows] << np.uint32(12)) | identifiers
        columns.ethertype[rows] = tags["type"]
        columns.network[rows] += 4
    columns.marks[rows] |= SHORT_HEADERS


def _unwrap_llc(view: HeaderView, columns: LinkColumns, rows: Int64Column) -> None:
    kinds = columns.ethertype[rows]
    rows = rows[(kinds < LEAST_ETHERTYPE) & (kinds != 0)]
    if not len(rows):
        return
    columns.ethertype[rows] = 0
    rows = rows[columns.network[rows] + 8 <= columns.end[rows]]
    unwrap_snap(view, columns, rows)


def unwrap_snap(view: HeaderView, columns: LinkColumns, rows: Int64Column) -> None:
    """Take the ethertype out of the SNAP headers of those rows that have one; eight octets must be there."""
    heads = view.take(columns.network[rows], SNAP)
    organisation = heads["organisation"]
    known = (organisation == SNAP_ORGANISATIONS[0]) | (organisation == SNAP_ORGANISATIONS[1])
    snap = (heads["head"] == SNAP_HEAD) & known
    rows = rows[snap]
    columns.ethertype[rows] = heads["type"][snap]
    columns.network[rows] += 8


def _unwrap_pppoe(view: HeaderView, columns: LinkColumns, rows: Int64Column) -> None:
    rows = rows[columns.ethertype[rows] == ETHERTYPE_PPPOE]
    fits = columns.network[rows] + 6 <= columns.end[rows]
    columns.marks[rows[~fits]] |= SHORT_HEADERS
    rows = rows[fits]
    if not len(rows):
        return
    heads = view.take(columns.network[rows], PPPOE)
    session = (heads["version"] == PPPOE_VERSION_AND_CODE[0]) & (heads["code"] == PPPOE_VERSION_AND_CODE[1])
    columns.marks[rows[~session]] |= SHORT_HEADERS
    rows, heads = rows[session], heads[session]
    start = columns.network[rows] + 6
    end = np.minimum(columns.end[rows], start + heads["length"])
    ethertype, network = read_ppp_protocol(view, start, end)
    inside = ethertype != 0
    rows = rows[inside]
    columns.ethertype[rows] = ethertype[inside]
    columns.network[rows] = network[inside]
    columns.marks[rows] |= TUNNELLED


def read_ppp_protocol(view: HeaderView, at: Int64Column, end: Int64Column) -> tuple[Int64Column, Int64Column]:
    """Ethertype that goes with each PPP protocol field (0 for others), and where its content begins."""
    heads = view.take(np.minimum(at, end), np.dtype([("first", "u1"), ("second", "u1")]))
    first, second = heads["first"].astype(np.int64), heads["second"].astype(np.int64)
    shrunk = first & 1 == 1  # the last octet of a protocol number is odd, the first of two is even
    protocol = np.where(shrunk, first, first << 8 | second)
    network = at + np.where(shrunk, 1, 2)
    ethertype = np.zeros(len(at), np.int64)
    fits = network <= end
    ethertype[(protocol == PPP_IPV4) & fits] = ETHERTYPE_IPV4
    ethertype[(protocol == PPP_IPV6) & fits] = ETHERTYPE_IPV6
    return ethertype, network
