"""Documents that pictures and pages are made of: shipped recordings, and one whose names try to break out."""

from collections.abc import Callable
from functools import cache

import auditor
from auditor.redaction.documents import ShownDocument
from tests.household.__main__ import CAPTURES
from tests.household.pictures import own_copy

LONG = "light-with-a-very-long-name-" * 7  # 196 characters
HOSTILE = (
    "<img src=http://192.0.2.1/x onerror=alert(1)>",
    '"></text><script>alert(1)</script>',
    "\x1b[31mred\x1b[0m",
    "\u05e9\u05dc\u05d5\u05dd \u0645\u0635\u0628\u0627\u062d",
    "\u202eevil\u202c",
    "\U0001f4a1\U0001f4a1 lamp \U0001f3e0",
    "\u706f\u706f\u706f\u706f\u706f\u706f\u706f\u706f\u706f\u706f\u706f",
    "&amp;<b>bold</b>",
    LONG,
)


@cache
def audited(name: str) -> ShownDocument:
    return auditor.audit([CAPTURES / f"{name}.pcapng"]).document


def documents() -> dict[str, Callable[[], ShownDocument]]:
    names = ("good-vantage", "everything-speaks", "laptop-on-wifi", "quiet-and-good", "hub-polling")
    return {name: lambda name=name: audited(name) for name in names}


def hostile_document() -> ShownDocument:
    """Every name of the richest recording replaced by one that acts, where something lets it."""
    document = own_copy(audited("everything-speaks"))
    for place, device in enumerate(document["devices"]):
        device["nickname"] = HOSTILE[place % len(HOSTILE)]
    for place, row in enumerate(document["remote_contacts"]):
        row["name"] = HOSTILE[place % len(HOSTILE)]
    return document
