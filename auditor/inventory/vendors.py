"""Registrants of link address prefixes, offline; a hint about the chip or module, never the product."""

from __future__ import annotations

import asyncio
from functools import cache

from auditor.addresses import LinkAddress, format_link, is_group_link, is_locally_administered


@cache
def _loaded() -> bool:
    """Load the table on first use; a missing or damaged one costs the hint and nothing else."""
    try:
        import aiooui

        asyncio.run(aiooui.async_load())
    except (ImportError, OSError, RuntimeError, ValueError):
        return False
    return True


def vendor_of(link: LinkAddress) -> str | None:
    """
    The registrant of the first three octets, or None.

    A locally administered address has none (IEEE 802-2014 section 8.2.2): its
    octets were not assigned to anybody.
    """
    if is_locally_administered(link) or is_group_link(link) or not any(link):
        return None
    if not _loaded():
        return None
    import aiooui

    return aiooui.get_vendor(format_link(link))
