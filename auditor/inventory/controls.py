"""
Who reads, changes, configures or re-programs a device, with which login, and whether it was taken.

Standards: RFC 9110 sections 9, 11 and 15 (methods, authentication, status codes), RFC 9112 section 9.3.2
           (answers come in the order of the requests), WHATWG Fetch 3.3 (who may read an answer),
           MQTT 3.1.1 sections 3.1 to 3.3 and 5.0 sections 2.4 and 3.2.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.artnet import ArtNetMessage
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.mqtt import Connect, ConnectAcknowledgement, Publish
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.flows.flow import Endpoint, FlowKey
from auditor.inventory.effects import (
    LIGHT_WORDS,
    describes_light,
    discloses_configuration,
    effect_of,
    light_in_collection,
    path_shape,
    words_of,
)
from auditor.inventory.secrets import SecretCollector, SecretRow
from auditor.inventory.sighting import Sighting, Table

MAX_PENDING = 64  # requests of one connection that wait for an answer; pipelines are never deeper
MAX_CONTROLS = 16_384  # rows
MAX_OPERATIONS = 256  # different operations between two hosts; further ones are one row

MAX_LIGHTS_OF_SERVER = 16  # numbers kept; two already make a hub

CREDENTIAL_PLACES = frozenset({"http-basic", "http-bearer", "http-cookie", "http-url", "http-header"})
"""Where a secret serves as a login; in a body it is what is being set."""

NOT_ALLOWED = frozenset({401, 403, 407})  # RFC 9110 15.5.2, 15.5.4, 15.5.8


class ControlKey(NamedTuple):
    """What makes two requests the same kind of control."""

    client: Endpoint
    server: Endpoint
    protocol: str
    operation: str
    effect: str
    authentication: str
    answered: bool | None


class ControlRow(Sighting):
    """How often, and what the answers let others do."""

    __slots__ = ("describes_light", "login_by_design", "open_to_web_pages", "reads_configuration")

    def __init__(self) -> None:
        super().__init__()
        self.open_to_web_pages: bool | None = None
        self.reads_configuration = False
        self.describes_light = False
        self.login_by_design = True


class _Pending(NamedTuple):
    envelope: Envelope
    request: HttpRequest
    presents: bool
    secrets: tuple[SecretRow, ...]


class _Session:
    """One MQTT connection."""

    __slots__ = ("accepted", "connect", "presents", "secrets")

    def __init__(self) -> None:
        self.connect: Envelope | None = None
        self.accepted: bool | None = None
        self.presents = False
        self.secrets: tuple[SecretRow, ...] = ()


class ControlCollector:
    """Pairs requests with answers, flow by flow."""

    def __init__(self, secrets: SecretCollector) -> None:
        self._secrets = secrets
        self.rows: Table[ControlKey, ControlRow] = Table(ControlRow, MAX_CONTROLS)
        self._pending: Table[FlowKey, deque[_Pending]] = Table(deque)
        self._sessions: Table[FlowKey, _Session] = Table(_Session)
        self._operations: Table[tuple[Endpoint, Endpoint], set[str]] = Table(set)
        self.collections: Table[Endpoint, set[str]] = Table(set)
        """Lights by their numbers of which a server answered; a hub answers of several."""
        self.lost_requests = 0

    def on_request(self, envelope: Envelope, request: HttpRequest) -> None:
        """Wait for the answer of a request."""
        rows = tuple(self._secrets.sighted(envelope, secret) for secret in request.secrets)
        presents = (
            request.scheme is not None
            or request.has_cookie
            or any(secret.place in CREDENTIAL_PLACES for secret in request.secrets)
        )
        waiting = self._pending.at(envelope.flow)
        if len(waiting) >= MAX_PENDING:
            self._settle(waiting.popleft(), None)
            self.lost_requests += 1
        waiting.append(_Pending(envelope, request, presents, rows))

    def on_response(self, envelope: Envelope, response: HttpResponse) -> None:
        """Give an answer to the oldest request that waits for one."""
        for secret in response.secrets:
            self._secrets.sighted(envelope, secret)
        waiting = self._pending.rows.get(envelope.flow)
        if waiting:
            self._settle(waiting.popleft(), response)
            if not waiting:
                del self._pending.rows[envelope.flow]

    def on_connect(self, envelope: Envelope, message: Connect) -> None:
        """Note the login of an MQTT client."""
        session = self._sessions.at(envelope.flow)
        if session.connect is not None:
            self._settle_session(session)
            session.accepted = None
        fields = (("user-name", message.user_name), ("password", message.password))
        sighted = [
            SightedSecret(kind=kind, place="mqtt-connect", field=kind.replace("-", "_"), secret=secret)
            for kind, secret in fields
            if secret is not None
        ]
        session.secrets = tuple(self._secrets.sighted(envelope, secret) for secret in sighted)
        session.presents = bool(sighted)
        session.connect = envelope

    def on_connect_acknowledgement(self, envelope: Envelope, message: ConnectAcknowledgement) -> None:
        """Settle the login: code 0 is success in both versions."""
        session = self._sessions.at(envelope.flow)
        session.accepted = message.code == 0
        for row in session.secrets:
            row.answer(accepted=session.accepted)
        if session.connect is not None:
            self._settle_session(session)

    def on_publish(self, envelope: Envelope, message: Publish) -> None:
        """Orders that a broker passes on to a light, told by the words of topic and payload."""
        if envelope.from_initiator or not words_of((message.topic, *message.payload_keys)) & LIGHT_WORDS:
            return
        session = self._sessions.rows.get(envelope.flow)
        authentication = "unknown"
        if session is not None and session.accepted:
            authentication = "accepted" if session.presents else "none"
        elif session is not None and session.presents:
            authentication = "presented"
        flow = envelope.flow
        key = ControlKey(
            flow.responder, flow.initiator._replace(port=0), "mqtt", "publish", "light", authentication, None
        )
        self.rows.at(key).add(envelope.timestamp_ns, envelope.packet)

    def on_artnet(self, envelope: Envelope, message: ArtNetMessage) -> None:
        """Art-Net orders; light data is counted by ``load`` and turned into controls there."""
        if message.effect not in {"configuration", "firmware"}:
            return
        key = ControlKey(
            envelope.source._replace(port=0),
            envelope.destination,
            envelope.protocol,
            f"operation 0x{message.operation:04x}",
            message.effect,
            "none",
            None,
        )
        row = self.rows.at(key)
        row.login_by_design = False
        row.add(envelope.timestamp_ns, envelope.packet)

    def note(
        self,
        envelope: Envelope,
        operation: str,
        effect: str,
        authentication: str,
        *,
        answered: bool | None,
    ) -> ControlRow:
        """Count one order of the flow's initiator; operations beyond the bound become one row."""
        flow = envelope.flow
        client = flow.initiator._replace(port=0)
        known = self._operations.at((client, flow.responder))
        if operation not in known:
            if len(known) >= MAX_OPERATIONS:
                operation = f"{operation.split(' ', 1)[0]} …"
            known.add(operation)
        key = ControlKey(
            client, flow.responder, envelope.protocol, operation, effect, authentication, answered
        )
        row = self.rows.at(key)
        row.add(envelope.timestamp_ns, envelope.packet)
        return row

    def finish(self) -> None:
        """Settle what no answer was recorded for."""
        for waiting in self._pending.rows.values():
            for pending in waiting:
                self._settle(pending, None)
        self._pending.rows.clear()
        for session in self._sessions.rows.values():
            if session.connect is not None:
                self._settle_session(session)

    def _settle(self, pending: _Pending, response: HttpResponse | None) -> None:
        envelope, request, presents, secrets = pending
        answered = _was_taken(request, response)
        effect = effect_of(request)
        operation = f"{request.method} {path_shape(request.path)}"
        if request.upgrade == "websocket":
            operation += " (websocket)"
        authentication = _authentication(response, answered, presents=presents)
        if answered is not None:
            for row in secrets:
                row.answer(accepted=answered)
        control = self.note(envelope, operation, effect, authentication, answered=answered)
        light = light_in_collection(request.path) if answered else None
        lights = self.collections.at(envelope.flow.responder) if light is not None else set()
        if light is not None and len(lights) < MAX_LIGHTS_OF_SERVER:
            lights.add(light)
        if response is not None:
            is_open = response.allow_origin is not None and response.allow_origin in {
                "*",
                "null",
                request.origin,
            }
            control.open_to_web_pages = is_open or bool(control.open_to_web_pages)
            control.reads_configuration |= bool(answered) and discloses_configuration(response.body_keys)
            control.describes_light |= bool(answered) and describes_light(response.body_keys)

    def _settle_session(self, session: _Session) -> None:
        envelope = session.connect
        if envelope is None:
            return
        if session.accepted is None:
            authentication = "presented" if session.presents else "none"
        elif session.presents:
            authentication = "accepted" if session.accepted else "rejected"
        else:
            authentication = "none" if session.accepted else "rejected"
        flow = envelope.flow
        key = ControlKey(
            flow.initiator._replace(port=0),
            flow.responder,
            "mqtt",
            "connect",
            "read",
            authentication,
            session.accepted,
        )
        self.rows.at(key).add(envelope.timestamp_ns, envelope.packet)
        session.connect = None


def _was_taken(request: HttpRequest, response: HttpResponse | None) -> bool | None:
    """
    Whether the request was accepted with success.

    A redirection after a write usually leads back to the page (RFC 9110 15.4.4,
    303); any other may lead to a login and says nothing.
    """
    if response is None:
        return None
    status = response.status
    if status == 101 or 200 <= status < 300 or status == 304:  # RFC 9110 section 15
        return True
    if 300 <= status < 400:
        return True if status == 303 and request.method == "POST" else None
    return False


def _authentication(response: HttpResponse | None, answered: bool | None, *, presents: bool) -> str:
    if response is not None and response.status in NOT_ALLOWED:
        return "rejected"
    if not presents:
        return "none"
    return "accepted" if answered else "presented"
