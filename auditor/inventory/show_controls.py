"""
Orders by protocols of shows and buildings beside light data: DDP, OSC, KNXnet/IP.

Standards: DDP (as published by its author; destinations 246, 250, 251), OSC 1.0 (no login, no answer), KNXnet/IP
           (ISO 22510; without the secure wrapper no login).

None of them has a login by design, and most orders have no answer.  DDP light
data is counted by ``load``, as that of E1.31 and Art-Net is.
"""

from __future__ import annotations

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.ddp import DdpMessage
from auditor.dissect.protocols.knxnet import KnxnetMessage
from auditor.dissect.protocols.osc import OscPacket
from auditor.flows.flow import FlowKey
from auditor.inventory.controls import ControlCollector, ControlKey
from auditor.inventory.effects import CONFIGURATION_WORDS, LIGHT_WORDS, discloses_configuration, words_of
from auditor.inventory.secrets import SecretCollector

MAX_PENDING = 4096  # queries of all flows that wait for an answer
SHOW_WORDS = frozenset(["fader", "cue", "channel", "dmx", "master", "universe", "blackout", "strobe", "chase"])
"""In address patterns of show control (common practice)."""


class ShowControlCollector:
    """Turns such messages into rows of ``controls``."""

    def __init__(self, controls: ControlCollector, secrets: SecretCollector) -> None:
        self._controls = controls
        self._secrets = secrets
        self._queries: dict[FlowKey, Envelope] = {}

    def on_ddp(self, envelope: Envelope, message: DdpMessage) -> None:
        """Settings are orders at once; a query waits for the reply."""
        for secret in message.secrets:
            self._secrets.sighted(envelope, secret)
        if message.effect == "configuration":
            self._note(envelope, f"destination {message.destination}", "configuration")
        elif message.effect == "read":
            if len(self._queries) < MAX_PENDING:
                self._queries[envelope.flow] = envelope
        elif message.effect == "announce" and (query := self._queries.pop(envelope.flow, None)) is not None:
            discloses = discloses_configuration(message.keys)
            self._note(query, "query", "read", answered=True, discloses=discloses)

    def on_osc(self, envelope: Envelope, message: OscPacket) -> None:
        """An order where the address has a word of lights, of shows or of set-up; else it is a contact only."""
        for secret in message.secrets:
            self._secrets.sighted(envelope, secret)
        words = words_of(address for pattern in message.addresses for address in pattern.split("/"))
        if words & CONFIGURATION_WORDS:
            self._note(envelope, "message", "configuration")
        elif words & (LIGHT_WORDS | SHOW_WORDS):
            self._note(envelope, "message", "light")

    def on_knxnet(self, envelope: Envelope, message: KnxnetMessage) -> None:
        """Group writes and settings by tunnelling or routing; a gateway's reports to its clients are none."""
        bus = message.bus_message
        if bus is not None:
            for secret in bus.secrets:
                self._secrets.sighted(envelope, secret)
        if message.is_secured or message.effect not in {"light", "configuration"}:
            return
        if bus is not None and bus.is_data_secured:
            return
        if message.kind == "tunnelling" and not envelope.from_initiator:
            return
        self._note(envelope, message.kind, message.effect)

    def _note(
        self,
        envelope: Envelope,
        operation: str,
        effect: str,
        *,
        answered: bool | None = None,
        discloses: bool = False,
    ) -> None:
        key = ControlKey(
            envelope.source._replace(port=0),
            envelope.destination,
            envelope.protocol,
            operation,
            effect,
            "none",
            answered,
        )
        row = self._controls.rows.at(key)
        row.login_by_design = False
        row.reads_configuration |= discloses
        row.add(envelope.timestamp_ns, envelope.packet)
