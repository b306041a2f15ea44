"""
Logins that are typed readable: Telnet, FTP, RTSP.

Standards: RFC 854 (Telnet), RFC 959 section 4.2.2 (230 logged in, 530 not), RFC 1635 (guests of FTP),
           RFC 7826 section 19.1 (RTSP uses HTTP's authentication).  That a prompt for a command means a login
           was taken is common practice.
"""

from __future__ import annotations

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.ftp import FtpCommand, FtpReply
from auditor.dissect.protocols.rtsp import RtspRequest, RtspResponse
from auditor.dissect.protocols.telnet import TelnetMessage
from auditor.flows.flow import FlowKey
from auditor.inventory.secrets import SecretCollector, SecretRow
from auditor.inventory.sighting import Table

LOGGED_IN, NOT_LOGGED_IN = 230, 530
UNAUTHORIZED = 401
MAX_GUESTS = 4096  # connections of guests remembered; a home has few
MAX_WAITING = 8  # secrets of one connection whose acceptance is open: name, password and a few tries


class PlainLoginCollector:
    """Hands what was typed to the secrets, and the peer's answer after it."""

    def __init__(self, secrets: SecretCollector) -> None:
        self._secrets = secrets
        self._waiting: Table[FlowKey, list[SecretRow]] = Table(list)
        self._anonymous: dict[FlowKey, None] = {}

    def on_telnet(self, envelope: Envelope, message: TelnetMessage) -> None:
        """A prompt for a command follows a login that was taken, a further one for a name a refused one."""
        for secret in message.secrets:
            self._wait(envelope, self._secrets.sighted(envelope, secret))
        if message.prompt in {"shell", "login"}:
            self._answer(envelope, accepted=message.prompt == "shell")

    def on_ftp_command(self, envelope: Envelope, message: FtpCommand) -> None:
        """Name or password; what an anonymous guest gives as one is no secret (RFC 1635 section 2)."""
        if message.verb == "USER":
            self._anonymous.pop(envelope.flow, None)
            if message.is_anonymous and len(self._anonymous) < MAX_GUESTS:
                self._anonymous[envelope.flow] = None
        elif envelope.flow in self._anonymous:
            return
        for secret in message.secrets:
            self._wait(envelope, self._secrets.sighted(envelope, secret))

    def on_ftp_reply(self, envelope: Envelope, message: FtpReply) -> None:
        """Whether the login was taken."""
        if message.code in {LOGGED_IN, NOT_LOGGED_IN}:
            self._answer(envelope, accepted=message.code == LOGGED_IN)

    def on_rtsp_request(self, envelope: Envelope, message: RtspRequest) -> None:
        """Credentials of one request."""
        for secret in message.secrets:
            self._wait(envelope, self._secrets.sighted(envelope, secret))

    def on_rtsp_response(self, envelope: Envelope, message: RtspResponse) -> None:
        """Its answer."""
        if 200 <= message.status < 300 or message.status == UNAUTHORIZED:
            self._answer(envelope, accepted=message.status != UNAUTHORIZED)

    def _wait(self, envelope: Envelope, row: SecretRow) -> None:
        waiting = self._waiting.at(envelope.flow)
        if len(waiting) < MAX_WAITING:
            waiting.append(row)

    def _answer(self, envelope: Envelope, *, accepted: bool) -> None:
        for row in self._waiting.rows.pop(envelope.flow, ()):
            row.answer(accepted=accepted)
