"""
FTP control connections: greeting, login, and what is done with files.

Standards: RFC 959 sections 4.1 (commands) and 4.2 (replies), RFC 4217 (AUTH TLS), RFC 1635 (anonymous).
Reads:     both directions of a TCP stream whose opening was recorded.
Keeps:     codes and verbs; user name and password as ``Secret``; of the greeting its text; no names of files.
"""

from __future__ import annotations

import re

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.lines import take_line
from auditor.dissect.syntax.printable import printable
from auditor.errors import MalformedError
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({21})  # IANA service name: ftp
READY, AUTHENTICATED_CHANNEL = 220, 234  # RFC 959 4.2.2, RFC 4217 section 4
ANONYMOUS = frozenset({b"anonymous", b"ftp"})  # RFC 1635 section 2.1; "ftp" common practice
MAX_TEXT = 256  # characters of a greeting kept
WRITING = frozenset({"STOR", "STOU", "APPE", "DELE", "RNFR", "RNTO", "RMD", "MKD", "SITE"})  # RFC 959 4.1.3
READING = frozenset({"RETR", "LIST", "NLST", "MLSD", "MLST", "SIZE", "MDTM"})  # and RFC 3659

REPLY = re.compile(rb"([1-5][0-9][0-9])([ -])?(.*)\Z", re.DOTALL)
COMMAND = re.compile(rb"([A-Za-z]{3,4})(?: +(.*))?\Z", re.DOTALL)
GREETING = re.compile(rb"220[ -][^\r\n]*\bftp", re.IGNORECASE)
OTHER_GREETING = re.compile(rb"220[ -][^\r\n]*\bE?SMTP\b", re.IGNORECASE)


@value_class
class FtpReply(Message):
    """A reply of the server; of one of several lines the last."""

    code: int
    """220 ready, 230 logged in, 331 password needed, 530 not logged in (RFC 959 4.2.2)."""
    text: str | None
    """Of a greeting only; other replies may hold names of files."""


@value_class
class FtpCommand(Message):
    """A command of the client."""

    verb: str
    """Upper case."""
    access: str | None
    """``read`` or ``write`` where the verb names or moves a file."""
    is_anonymous: bool
    """USER with a name that stands for nobody."""
    secrets: tuple[SightedSecret, ...]


def looks_like(head: bytes) -> bool:
    """Whether a server greets so, on any port: the greeting names the protocol."""
    return head[:3] == b"220" and GREETING.match(head) is not None


def looks_like_on_port(head: bytes) -> bool:
    """Whether a stream of the registered port begins with a greeting."""
    return head[:3] == b"220" and head[3:4] in (b" ", b"-") and OTHER_GREETING.match(head) is None


def client_speaks(head: bytes) -> bool:
    """Servers begin with a number."""
    return not head[:1].isdigit()


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """
    Parse the next line of one direction.

    Raises:
        TruncatedError: its end is not there yet.
        DecodeError: no command, or no reply.
    """
    octets = cursor.take(cursor.remaining, "line")
    line, length = take_line(octets, "line", ended=conversation.ended)
    if from_client:
        return _command(line.lstrip(b"\xff\xf4\xf2"), length)  # RFC 959 4.1.3: ABOR behind a Telnet signal
    return _reply(line, length, conversation)


def _reply(line: bytes, length: int, conversation: Conversation) -> Message:
    found = REPLY.match(line)
    inside: bytes | None = conversation.memory  # the code of a reply of several lines that is open
    if found is None or (inside is not None and (found[1] != inside or found[2] == b"-")):
        if inside is None:
            raise MalformedError("reply", 0, "not a number of three digits")
        return PassedOver(length=length)
    code = int(found[1])
    if found[2] == b"-":
        conversation.memory = found[1]
        return PassedOver(length=length) if code != READY else _said(length, code, found[3])
    conversation.memory = None
    if code == AUTHENTICATED_CHANNEL:
        conversation.next_protocol = "tls"
    return _said(length, code, found[3])


def _said(length: int, code: int, text: bytes) -> FtpReply:
    kept = printable(text.strip(), MAX_TEXT) if code == READY else None
    return FtpReply(length=length, code=code, text=kept or None)


def _command(line: bytes, length: int) -> Message:
    if not line:
        return PassedOver(length=length)
    found = COMMAND.match(line)
    if found is None:
        raise MalformedError("command", 0, "not a word of three or four letters")
    verb, argument = found[1].decode("ascii").upper(), found[2] or b""
    secrets: tuple[SightedSecret, ...] = ()
    is_anonymous = verb == "USER" and argument.strip().lower() in ANONYMOUS
    if verb in ("USER", "PASS", "ACCT") and argument and not is_anonymous:
        kind = "user-name" if verb == "USER" else "password"
        secrets = (SightedSecret(kind=kind, place="ftp", field=verb, secret=Secret(argument)),)
    access = "write" if verb in WRITING else "read" if verb in READING else None
    return FtpCommand(length=length, verb=verb, access=access, is_anonymous=is_anonymous, secrets=secrets)


DISSECTORS = tuple(
    Dissector(
        name="ftp",
        transport="tcp",
        ports=ports,
        looks_like=test,
        parse_stream=parse_stream,
        client_speaks=client_speaks,
        any_port=not ports,
        needs_opening=True,
        continues=continues,
    )
    for ports, test, continues in (
        (PORTS, looks_like_on_port, lambda head: REPLY.match(head) is not None),
        (frozenset[int](), looks_like, lambda head: REPLY.match(head) is not None),
    )
)
