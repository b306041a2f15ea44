"""
Orders in messages that carry no method and no status of their own: WebSocket, JSON over TCP and UDP.

Standards: RFC 6455 sections 1.6 and 10.2 (Origin), JSON-RPC 2.0 sections 4 and 5 (call and answer).

Where no call is paired with an answer, an order counts as taken once the
device says the same thing back: a message of the server, after the order, whose
names share a word of the order (common practice of controllers: they push
their new state).
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.raw_json import JsonMessage
from auditor.dissect.protocols.websocket import WebSocketMessage
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.json_rpc import RpcShape
from auditor.flows.flow import FlowKey
from auditor.inventory.controls import CREDENTIAL_PLACES, ControlCollector
from auditor.inventory.effects import effect_of_words, words_of
from auditor.inventory.secrets import SecretCollector, SecretRow
from auditor.inventory.sighting import Table

MAX_PENDING = 64  # orders of one connection that wait for an answer
MAX_NAMES_TOLD = 3  # of a message's keys in the name of its operation: enough to recognise it


class _Order(NamedTuple):
    envelope: Envelope
    operation: str
    effect: str
    words: frozenset[str]
    is_call: bool
    presents: bool
    secrets: tuple[SecretRow, ...]


class _Session:
    """One connection, or all datagrams of one flow."""

    __slots__ = ("from_other_page", "pending", "presents", "refused")

    def __init__(self) -> None:
        self.presents = False
        self.refused = False
        self.from_other_page: bool | None = None
        """The upgrade came from a web page of another origin; None: it named no origin, or was not recorded."""
        self.pending: deque[_Order] = deque()


class MessageControlCollector:
    """Pairs orders with what is said back, flow by flow."""

    def __init__(self, controls: ControlCollector, secrets: SecretCollector) -> None:
        self._controls = controls
        self._secrets = secrets
        self._sessions: Table[FlowKey, _Session] = Table(_Session)

    def on_request(self, envelope: Envelope, request: HttpRequest) -> None:
        """Note what the request of an upgrade presents; its secrets are counted with the request."""
        if request.upgrade != "websocket":
            return
        session = self._sessions.at(envelope.flow)
        session.from_other_page = request.is_cross_origin
        session.presents = (
            request.scheme is not None
            or request.has_cookie
            or any(secret.place in CREDENTIAL_PLACES for secret in request.secrets)
        )

    def on_response(self, envelope: Envelope, response: HttpResponse) -> None:
        """Note whether the upgrade was granted."""
        session = self._sessions.rows.get(envelope.flow)
        if session is not None:
            session.refused = response.status != 101  # RFC 6455 4.2.2

    def on_websocket(self, envelope: Envelope, message: WebSocketMessage) -> None:
        """Take in a message; control frames and compressed content say nothing."""
        if not message.keys:
            return
        self._on_names(envelope, message.from_client, message.keys, message.secrets, message.rpc)

    def on_json(self, envelope: Envelope, message: JsonMessage) -> None:
        """Take in a text over TCP or UDP; who began asks."""
        self._on_names(envelope, envelope.from_initiator, message.keys, message.secrets, message.rpc)

    def finish(self) -> None:
        """Settle what nothing was said back to."""
        for session in self._sessions.values():
            for order in session.pending:
                self._settle(session, order, answered=None)
            session.pending.clear()

    def _on_names(
        self,
        envelope: Envelope,
        from_client: bool,
        keys: tuple[str, ...],
        secrets: tuple[SightedSecret, ...],
        rpc: RpcShape | None,
    ) -> None:
        session = self._sessions.at(envelope.flow)
        rows = tuple(self._secrets.sighted(envelope, secret) for secret in secrets)
        if not from_client:
            self._answer(session, keys, rpc)
            return
        method = rpc.method if rpc is not None else None
        effect = effect_of_words(keys, method)
        presents = any(
            secret.kind == "token" or (secret.kind == "password" and effect != "configuration")
            for secret in secrets
        )
        session.presents |= presents
        order = _Order(
            envelope=envelope,
            operation=_operation(keys, method),
            effect=effect,
            words=frozenset(words_of(keys)),
            is_call=rpc is not None and rpc.has_method and rpc.has_id,
            presents=session.presents,
            secrets=rows,
        )
        session.pending.append(order)
        if len(session.pending) > MAX_PENDING:
            self._settle(session, session.pending.popleft(), answered=None)
            self._controls.lost_requests += 1

    def _answer(self, session: _Session, keys: tuple[str, ...], rpc: RpcShape | None) -> None:
        if rpc is not None and (rpc.has_result or rpc.has_error):
            for order in session.pending:
                if order.is_call or not rpc.has_id:
                    session.pending.remove(order)
                    self._settle(session, order, answered=not rpc.has_error)
                    return
            return
        said = words_of(keys)
        for order in [one for one in session.pending if not one.is_call and one.words & said]:
            session.pending.remove(order)
            self._settle(session, order, answered=True)

    def _settle(self, session: _Session, order: _Order, *, answered: bool | None) -> None:
        if session.refused:
            return
        authentication = "none"
        if order.presents:
            authentication = "accepted" if answered else ("presented" if answered is None else "rejected")
        if answered is not None:
            for secret in order.secrets:
                secret.answer(accepted=answered)
        row = self._controls.note(
            order.envelope, order.operation, order.effect, authentication, answered=answered
        )
        if session.from_other_page and answered:
            # A server that checks the origin refuses the upgrade (RFC 6455 10.2); that its own page may connect
            # proves nothing.
            row.open_to_web_pages = True


def _operation(keys: tuple[str, ...], method: str | None) -> str:
    """The name of a call, else the first names of the message; never a value."""
    if method is not None:
        return f"call {method}"
    names = sorted({key.split(".", 1)[0] for key in keys})
    return "message " + ", ".join(names[:MAX_NAMES_TOLD]) + (" …" if len(names) > MAX_NAMES_TOLD else "")
