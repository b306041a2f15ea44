"""
Which name belongs to an address outside, for one device, at one time.

Standards: RFC 1035 (answers), RFC 2181 section 5 (record sets).

An answer that another host asked for is not this device's name (shared
addresses carry many names), and an answer after the connection began names
nothing (scenario S03).  A reverse lookup is never used.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from auditor.addresses import Address, LinkAddress
from auditor.dissect.message import Envelope
from auditor.dissect.syntax.dns_message import DnsMessage
from auditor.inventory.content import SaidName
from auditor.inventory.identity import TYPE_A, TYPE_AAAA
from auditor.inventory.sighting import Table

ADDRESS_TYPES = frozenset({TYPE_A, TYPE_AAAA})

MAX_ANSWERS_PER_ADDRESS = 64  # changes of name for one address that are kept
MAX_RECORDS_READ = 64  # of one answer; longer ones exist only to waste time


class ContactName(NamedTuple):
    """A name and where it comes from."""

    name: str | None
    source: str
    is_outer: bool


NO_NAME = ContactName(None, "none", is_outer=False)


class NameCollector:
    """Answers by (client link address, client address, answered address)."""

    def __init__(self) -> None:
        self.answers: Table[tuple[LinkAddress, Address, Address], list[tuple[int, str]]] = Table(list)

    def on_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Keep which name the client asked for and which addresses it was told."""
        if not message.is_response or not message.questions:
            return
        client = envelope.destination
        # The name asked for, not the last of a chain of aliases: it is what the device knows.
        name = message.questions[0].name.lower()
        told_to = self.answers.rows
        link, address = client.link_address, client.address
        for record in message.answers[:MAX_RECORDS_READ]:
            if record.address is None or record.record_type not in ADDRESS_TYPES:
                continue
            key = (link, address, record.address)
            told = told_to.get(key)
            if told is None:
                told = self.answers.at(key)
            if len(told) < MAX_ANSWERS_PER_ADDRESS and (not told or told[-1][1] != name):
                told.append((envelope.timestamp_ns, name))

    def answered(
        self, clients: list[tuple[LinkAddress, Address]], address: Address, before_ns: int
    ) -> str | None:
        """The name with which the client was last told this address, before that time."""
        best: tuple[int, str] | None = None
        for link, client in clients:
            told = self.answers.rows.get((link, client, address))
            if not told:
                continue
            ordered = sorted(told)
            place = bisect_right(ordered, before_ns, key=lambda answer: answer[0])
            if place and (best is None or ordered[place - 1] > best):
                best = ordered[place - 1]
        return best[1] if best else None


def choose_name(answered: str | None, said: SaidName | None) -> ContactName:
    """
    Choose between what the device was told and what it said itself.

    What it said on this very connection wins over an answer, unless it is the
    outer name of an encrypted one: that may be the provider's (RFC 9849; scenario S16).
    """
    if said is None:
        return ContactName(answered, "dns", is_outer=False) if answered else NO_NAME
    if answered and (answered == said.name or said.is_outer):
        return ContactName(answered, "dns", is_outer=said.is_outer)
    return ContactName(said.name, said.source, is_outer=said.is_outer)
