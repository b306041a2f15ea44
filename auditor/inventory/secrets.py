"""
Secrets that were readable: fingerprints, places, and whether a value follows from the device's identity.

The values never enter: a ``Secret`` is turned into a fingerprint under a key
that is drawn anew for each run and written nowhere.  Whether a value equals
something that the recording says of the device is found by fingerprinting
*that* and comparing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from auditor.addresses import LinkAddress, format_link
from auditor.dissect.message import Envelope
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.flows.flow import Endpoint
from auditor.inventory.facts import Fact, SecretFact
from auditor.inventory.network import OUTSIDE, Host, Network
from auditor.inventory.sighting import Sighting, Table
from auditor.secret import Secret

MAX_SECRETS = 8192  # places with a readable secret; a recording with more makes the same point
MAX_CANDIDATES = 256  # spellings of an identity that are compared


class SecretKey(NamedTuple):
    """One value in one place of one conversation."""

    fingerprint: bytes
    kind: str
    place: str
    field: str
    protocol: str
    client: Endpoint
    server: Endpoint
    from_client: bool


class Use(NamedTuple):
    """Two ends of a conversation in which a value is known to both; empty for what is no device here."""

    client: str
    server: str


def users_of(device_id: str, uses: Iterable[Use]) -> set[str]:
    """
    The devices that use one value, as seen from one of them.

    A login is known at both its ends.  So a phone that logs in at a light, and the broker that a light logs
    in at, are no further users; a second light at the same broker is one, and so is a second light that takes
    the same login from the same phone.
    """
    known = list(uses)
    clients = {use.client for use in known if use.server == device_id}
    servers = {use.server for use in known if use.client == device_id}
    users = {device_id}
    for use in known:
        if device_id not in use:
            users |= {use.client} - clients
            users |= {use.server} - servers
    return users - {""}


class SecretRow(Sighting):
    """How often, and whether the peer took it."""

    __slots__ = ("accepted",)

    def __init__(self) -> None:
        super().__init__()
        self.accepted: bool | None = None

    def answer(self, *, accepted: bool) -> None:
        """Note the peer's answer; one acceptance is enough."""
        self.accepted = accepted or bool(self.accepted)


class SecretCollector:
    """Turns sighted secrets into rows that hold no value."""

    def __init__(self, run_key: bytes) -> None:
        self._run_key = run_key
        self.rows: Table[SecretKey, SecretRow] = Table(SecretRow, MAX_SECRETS)

    def sighted(self, envelope: Envelope, secret: SightedSecret) -> SecretRow:
        """Keep one sighting; the row is returned so that the peer's answer can be noted."""
        key = SecretKey(
            fingerprint=secret.secret.fingerprint(self._run_key),
            kind=secret.kind,
            place=secret.place,
            field=secret.field,
            protocol=envelope.protocol,
            # A client's port changes with every connection and says nothing about the secret.
            client=envelope.flow.initiator._replace(port=0),
            server=envelope.flow.responder,
            from_client=envelope.from_initiator,
        )
        row = self.rows.at(key)
        row.add(envelope.timestamp_ns, envelope.packet)
        return row

    def facts(self, network: Network) -> list[Fact]:
        """One fact for each device that a readable secret concerns."""
        drafts = [draft for key, row in self.rows.items() for draft in self._drafts(key, row, network)]
        uses = self._uses(network)
        joined: dict[tuple[str, ...], list[tuple[str, SecretKey, SecretRow]]] = {}
        for device_id, direction, reach, key, row in drafts:
            place = (
                device_id,
                key.kind,
                key.place,
                key.field,
                key.protocol,
                reach,
                direction,
                key.fingerprint.hex(),
            )
            joined.setdefault(place, []).append((device_id, key, row))
        facts: list[Fact] = []
        for (device_id, kind, where, field, protocol, reach, direction, _), rows in joined.items():
            seen = Sighting()
            for _, _, row in rows:
                seen.absorb(row)
            answers = {row.accepted for _, _, row in rows}
            fingerprint = rows[0][1].fingerprint
            facts.append(
                SecretFact(
                    device_id=device_id,
                    evidence=seen.evidence,
                    first_seen_ns=seen.first_ns,
                    last_seen_ns=seen.last_ns,
                    kind=kind,
                    place=where,
                    field_name=field,
                    protocol=protocol,
                    reach=reach,
                    direction=direction,
                    follows_identity=self._follows(fingerprint, network.hosts[device_id]),
                    same_on_devices=len(users_of(device_id, uses[fingerprint])),
                    accepted=True if True in answers else (False if False in answers else None),
                    count=seen.count,
                )
            )
        return facts

    def _uses(self, network: Network) -> dict[bytes, set[Use]]:
        """Who shows which value to whom."""
        uses: dict[bytes, set[Use]] = {}
        for key in self.rows.rows:
            client, server = network.party(key.client).device_id, network.party(key.server).device_id
            uses.setdefault(key.fingerprint, set()).add(Use(client, server))
        return uses

    @staticmethod
    def _drafts(
        key: SecretKey, row: SecretRow, network: Network
    ) -> Iterable[tuple[str, str, str, SecretKey, SecretRow]]:
        client, server = network.party(key.client), network.party(key.server)
        sender, receiver = (client, server) if key.from_client else (server, client)
        if key.place == "text-key":
            if sender.is_device:
                yield sender.device_id, "from-device", "announced", key, row
            return
        reach = "outside" if OUTSIDE in {client.kind, server.kind} else "inside"
        if sender.is_device:
            yield sender.device_id, "from-device", reach, key, row
        if receiver.is_device:
            yield receiver.device_id, "to-device", reach, key, row

    def _follows(self, fingerprint: bytes, host: Host) -> bool:
        """Whether the value is a spelling of what the device openly says it is."""
        return any(
            Secret(spelling).fingerprint(self._run_key) == fingerprint
            for spelling in identity_spellings(host)
        )


def identity_spellings(host: Host) -> Iterable[bytes]:
    """Spellings of link addresses and names that people and makers use as passwords (common practice)."""
    spellings: dict[str, None] = {}
    for link in host.links:
        spellings.update(dict.fromkeys(link_spellings(link)))
    for name in host.names:
        first = name.split(".", 1)[0]
        for text in (name, first):
            spellings.update(dict.fromkeys((text, text.lower(), text.upper())))
    for text in list(spellings)[:MAX_CANDIDATES]:
        if text:
            yield text.encode("utf-8", "surrogateescape")


def link_spellings(link: LinkAddress) -> Iterable[str]:
    """How a link address is written out as a password."""
    colons = format_link(link)
    for text in (colons, colons.replace(":", "-"), colons.replace(":", "")):
        yield text
        yield text.upper()
    for tail in (8, 6, 4):  # hexadecimal digits at the end, as on labels and in default names
        yield colons.replace(":", "")[-tail:]
        yield colons.replace(":", "").upper()[-tail:]
