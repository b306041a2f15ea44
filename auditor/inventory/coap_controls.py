"""
Who reads, changes or configures a device by CoAP, and what the device answers.

Standards: RFC 7252 sections 5.3 (a token pairs request and response), 5.8 (methods), 5.9 (codes) and 9 (without
           DTLS there is no login), RFC 8132 (FETCH, PATCH), RFC 7641 (notifications), RFC 8613 (OSCORE).
"""

from __future__ import annotations

from typing import NamedTuple

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.coap import CoapMessage
from auditor.flows.flow import FlowKey
from auditor.inventory.controls import ControlCollector
from auditor.inventory.effects import describes_light, discloses_configuration, effect_of_parts, path_shape
from auditor.inventory.secrets import SecretCollector, SecretRow

MAX_PENDING = 8192  # requests of all flows that wait for an answer
UNAUTHORIZED, FORBIDDEN = 0x81, 0x83  # 4.01 and 4.03 (RFC 7252 5.9.2)
READING = frozenset({"GET", "FETCH"})  # RFC 7252 5.8.1, RFC 8132 2
MEDIA_TYPES = {0: "text/plain", 42: "application/octet-stream", 50: "application/json", 60: "application/cbor"}
"""Content formats by number (RFC 7252 12.3, RFC 8949 9.4)."""


class _Pending(NamedTuple):
    envelope: Envelope
    request: CoapMessage
    secrets: tuple[SecretRow, ...]


class CoapControlCollector:
    """Pairs requests with responses by flow and token."""

    def __init__(self, controls: ControlCollector, secrets: SecretCollector) -> None:
        self._controls = controls
        self._secrets = secrets
        self._pending: dict[tuple[FlowKey, bytes], _Pending] = {}

    def on_coap(self, envelope: Envelope, message: CoapMessage) -> None:
        """Take in one message; what OSCORE protects cannot be read and gives no row, as inside TLS."""
        if message.is_oscore or message.code == 0:
            return
        rows = tuple(self._secrets.sighted(envelope, secret) for secret in message.secrets)
        key = (envelope.flow, message.token)
        if message.is_request:
            known = self._pending.get(key)
            if known is not None and known.request.message_id == message.message_id:
                return  # sent again (RFC 7252 4.2)
            if known is not None:
                self._settle(self._pending.pop(key), None)
            if len(self._pending) >= MAX_PENDING:
                self._settle(self._pending.pop(next(iter(self._pending))), None)
                self._controls.lost_requests += 1
            self._pending[key] = _Pending(envelope, message, rows)
        elif (pending := self._pending.pop(key, None)) is not None:
            self._settle(pending, message)

    def finish(self) -> None:
        """Settle what no answer was recorded for."""
        for pending in self._pending.values():
            self._settle(pending, None)
        self._pending.clear()

    def _settle(self, pending: _Pending, response: CoapMessage | None) -> None:
        envelope, request, secrets = pending
        answered = None if response is None else response.code >> 5 == 2
        presents = bool(secrets)
        authentication = "none"
        if response is not None and response.code in {UNAUTHORIZED, FORBIDDEN}:
            authentication = "rejected"
        elif presents:
            authentication = "accepted" if answered else "presented"
        if answered is not None:
            for row in secrets:
                row.answer(accepted=answered)
        method = request.method or request.code_text
        effect = effect_of_parts(
            "GET" if method in READING else method,
            request.path,
            request.query_keys,
            request.payload_keys,
            MEDIA_TYPES.get(request.content_format) if request.content_format is not None else None,
        )
        control = self._controls.note(
            envelope, f"{method} {path_shape(request.path)}", effect, authentication, answered=answered
        )
        if response is not None and answered:
            control.reads_configuration |= discloses_configuration(response.payload_keys)
            control.describes_light |= describes_light(response.payload_keys)
