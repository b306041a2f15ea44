"""Registrants of link address prefixes, offline; a hint about the chip or module, never the product."""

from __future__ import annotations

from auditor.addresses import LinkAddress, format_link, is_group_link, is_locally_administered


def vendor_of(link: LinkAddress) -> str | None:
    """
    The registrant of the first three octets in the IEEE's list, or None.

    A locally administered address has none (IEEE 802-2014 section 8.2.2): its
    octets were not assigned to anybody.
    """
    if is_locally_administered(link) or is_group_link(link) or not any(link):
        return None
    # Imported on first use: it is the slowest import of an audit, and many recordings hold no such address.
    import netaddr

    try:
        registrant = netaddr.EUI(format_link(link)).oui.registration().org
    except netaddr.NotRegisteredError:
        return None
    return str(registrant)
