"""
Telnet: option negotiation, and the login that is typed through it in the clear.

Standards: RFC 854 (commands), RFC 855 (options), RFC 857 (ECHO); prompts are common practice.
Reads:     both directions of a TCP stream whose opening was recorded, until a shell has answered.
Keeps:     options, which prompt was shown; what is typed after a prompt for name or password as ``Secret``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from auditor.dissect.message import Message, PassedOver
from auditor.dissect.registry import Conversation, Dissector
from auditor.dissect.syntax.http_head import SightedSecret
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.value_class import value_class
from auditor.wire import Cursor

PORTS = frozenset({23})  # IANA service name: telnet

# RFC 854
SE, SUBNEGOTIATION, WILL, WONT, DO, DONT, INTERPRET = 240, 250, 251, 252, 253, 254, 255
LAST_OPTION = 49  # of the unbroken part of the registry of options (from memory)
MAX_OPTIONS = 64  # of one message; the registry has some 50
MAX_SUBNEGOTIATION = 512  # octets; a terminal's name, its size, a variable
MAX_TAIL_OCTETS = 128  # of a prompt: names of a host and a user, and a word
MAX_TYPED_OCTETS = 256  # of a name or password
MAX_SEQUENCE_OCTETS = 4_096  # of text looked at for a prompt; a message of the day is shorter

LOGIN = re.compile(rb"(?:login|user(?:name)?(?: name)?)\s*:\s*\Z", re.IGNORECASE)
PASSWORD = re.compile(rb"(?:password|passcode)[^\r\n:]{0,64}:\s*\Z", re.IGNORECASE)
SHELL = re.compile(rb"(?:\A|[\r\n])[^\r\n]{0,80}[#$>] ?\Z")


@value_class
class TelnetMessage(Message):
    """What one side negotiates, shows or types."""

    from_client: bool
    options: tuple[tuple[int, int], ...]
    """Command (251 will, 252 won't, 253 do, 254 don't) and option, in order."""
    prompt: str | None
    """What a server waits for: ``login``, ``password`` or ``shell``; None: no prompt was told."""
    secrets: tuple[SightedSecret, ...]


@dataclass(slots=True)
class _Session:
    awaited: str | None = None
    """What the client was asked for last."""
    tail: bytes = b""
    """The last that the server showed since: a prompt may come an octet at a time."""


def looks_like(head: bytes) -> bool:
    """Whether a connection opens with a negotiation (RFC 854)."""
    if len(head) < 3 or head[0] != INTERPRET or not WILL <= head[1] <= DONT:
        return False
    return head[2] <= LAST_OPTION or head[2] == INTERPRET


def looks_like_on_port(head: bytes) -> bool:
    """Whether a connection to the registered port opens with a negotiation or a prompt."""
    return looks_like(head) or LOGIN.search(head) is not None or PASSWORD.search(head) is not None


def continues(head: bytes) -> bool:
    """Whether reading may go on behind a loss: at a command."""
    return len(head) > 1 and head[0] == INTERPRET and head[1] >= SE


def parse_stream(cursor: Cursor, from_client: bool, conversation: Conversation) -> Message:
    """
    Parse what is there of one direction, or what was typed up to the end of its line.

    Raises:
        TruncatedError: a command or the typed line is not whole.
        DecodeError: a subnegotiation or a typed line without an end.
    """
    if not isinstance(conversation.memory, _Session):
        conversation.memory = _Session()
    session: _Session = conversation.memory
    octets = cursor.take(min(cursor.remaining, MAX_SEQUENCE_OCTETS), "data")
    text, options, length = _split(octets, ended=conversation.ended)
    if not length:
        raise TruncatedError("command", len(octets), "the command is not whole")
    if from_client:
        return _typed(text, options, length, session, ended=conversation.ended)
    session.tail = (session.tail + text)[-MAX_TAIL_OCTETS:]
    prompt = _prompt(session.tail)
    if prompt is None and not options:
        return PassedOver(length=length)
    if prompt is not None:
        session.awaited = prompt
        session.tail = b""
    if prompt == "shell":
        conversation.finished = True
    return TelnetMessage(length=length, from_client=False, options=options, prompt=prompt, secrets=())


def _prompt(text: bytes) -> str | None:
    if LOGIN.search(text):
        return "login"
    if PASSWORD.search(text):
        return "password"
    return "shell" if SHELL.search(text) else None


def _typed(
    text: bytes, options: tuple[tuple[int, int], ...], length: int, session: _Session, *, ended: bool
) -> Message:
    """A negotiation, or the line that answers a prompt."""
    awaited = session.awaited
    if not text or awaited not in ("login", "password"):
        if not options:
            return PassedOver(length=length)
        return TelnetMessage(length=length, from_client=True, options=options, prompt=None, secrets=())
    line, end, _ = text.replace(b"\r", b"\n").partition(b"\n")
    if not end and not ended:
        if len(text) > MAX_TYPED_OCTETS:
            raise LimitError("typed_line", 0, f"no end within {MAX_TYPED_OCTETS} octets")
        raise TruncatedError("typed_line", length, "its end has not come")
    session.awaited = None
    secrets: tuple[SightedSecret, ...] = ()
    line = _corrected(line)
    if line:
        kind = "user-name" if awaited == "login" else "password"
        secrets = (SightedSecret(kind=kind, place="telnet", field=awaited, secret=Secret(line)),)
    return TelnetMessage(length=length, from_client=True, options=options, prompt=None, secrets=secrets)


def _corrected(line: bytes) -> bytes:
    """What is left of a line when its corrections are made (BS and DEL take the character before away)."""
    kept = bytearray()
    for octet in line[:MAX_TYPED_OCTETS]:
        if octet in (0x08, 0x7F):
            del kept[-1:]
        elif octet:
            kept.append(octet)
    return bytes(kept)


def _split(octets: bytes, *, ended: bool) -> tuple[bytes, tuple[tuple[int, int], ...], int]:
    """Text without commands, the negotiations, and how many octets both take; an open command is left."""
    text, options = bytearray(), list[tuple[int, int]]()
    position = 0
    while position < len(octets):  # each turn goes on by an octet or more
        mark = octets.find(INTERPRET, position)
        if mark < 0:
            text += octets[position:]
            position = len(octets)
            break
        text += octets[position:mark]
        size = _command_octets(octets, mark)
        if size is None:
            position = len(octets) if ended else mark
            break
        command = octets[mark + 1]
        if command == INTERPRET:  # RFC 854: an octet 255 of data is doubled
            text.append(INTERPRET)
        elif WILL <= command <= DONT and len(options) < MAX_OPTIONS:
            options.append((command, octets[mark + 2]))
        position = mark + size
    return bytes(text), tuple(options), position


def _command_octets(octets: bytes, mark: int) -> int | None:
    """Length of the command at ``mark``; None: it is not whole."""
    if mark + 1 >= len(octets):
        return None
    command = octets[mark + 1]
    if command == SUBNEGOTIATION:
        end = octets.find(bytes([INTERPRET, SE]), mark, mark + MAX_SUBNEGOTIATION)
        if end < 0:
            if len(octets) - mark >= MAX_SUBNEGOTIATION:
                raise LimitError("subnegotiation", mark, f"no end within {MAX_SUBNEGOTIATION} octets")
            return None
        return end + 2 - mark
    if WILL <= command <= DONT:
        return 3 if mark + 2 < len(octets) else None
    if command < SE:
        raise MalformedError("command", mark, f"{command}")
    return 2


DISSECTORS = tuple(
    Dissector(
        name="telnet",
        transport="tcp",
        ports=ports,
        looks_like=test,
        parse_stream=parse_stream,
        continues=continues,
        any_port=not ports,
        needs_opening=True,
    )
    for ports, test in ((PORTS, looks_like_on_port), (frozenset[int](), looks_like))
)
