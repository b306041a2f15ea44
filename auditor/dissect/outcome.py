"""
The parsing of one message as dispatch sees it: what comes out, and what is said when nothing does.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from auditor.dissect.conversations import Talk
from auditor.dissect.message import Envelope, Issue, Message
from auditor.errors import DecodeError, MalformedError, TruncatedError
from auditor.flows.flow import FlowKey, PacketReference

MAX_MESSAGES_PER_FLOW = 100_000
"""Messages handed on for one flow: one request a second and its answer for half a day.

Counts are minimum values from there on, and an issue says so."""

MAX_ISSUES_PER_FLOW = 8
"""A conversation that cannot be read says so often enough to be found in the recording, and no oftener."""

MAX_UNCLAIMED = 10_000
"""Flows kept whose payload no dissector knew, and as many whose segments contradict each other."""


# Half the time of calling the class, and there is one for each message of a recording.
_envelope: Callable[[tuple[object, ...]], Envelope] = partial(tuple.__new__, Envelope)


class Outcome:
    """Gathers envelopes and issues in the order of the packets."""

    def __init__(self, *, strict: bool) -> None:
        self._strict = strict
        self.items: list[Envelope | Issue] = []
        self.unclaimed: dict[FlowKey, int] = {}
        self.contradicting: dict[FlowKey, None] = {}

    def take(self) -> list[Envelope | Issue]:
        """Hand on what was gathered."""
        items, self.items = self.items, []
        return items

    def decode_error(self, name: str, fault: Exception) -> DecodeError:
        """
        What a parser raised, as what it may raise.

        Anything but ``DecodeError`` is a fault of ours: raised again under
        ``strict``, else one more thing that could not be read, named as such.
        Called in ``except``, lest every message pays for a call around its parser.
        """
        if isinstance(fault, DecodeError):
            return fault
        if self._strict:
            raise fault
        return InternalFaultError(name, fault)

    def message(
        self,
        talk: Talk,
        name: str,
        forward: bool,
        packet: PacketReference,
        timestamp_ns: int,
        message: Message,
        link_type: int,
    ) -> bool:
        """Hand on a message; False where the flow has had enough of them."""
        talk.messages += 1
        key = talk.key if talk.key is not None else talk.orient(forward)
        from_initiator = forward == talk.initiator_forward
        self.items.append(_envelope((name, key, from_initiator, packet, timestamp_ns, message, link_type)))
        if talk.messages < MAX_MESSAGES_PER_FLOW:
            return True
        problem = f"more than {MAX_MESSAGES_PER_FLOW} messages in one flow: counts are minimum values"
        self.items.append(
            Issue(where=name, problem=problem, packet=packet, timestamp_ns=timestamp_ns, flow=key)
        )
        return False

    def issue(
        self, talk: Talk, where: str, problem: str, packet: PacketReference | None, timestamp_ns: int | None
    ) -> bool:
        """Say that something could not be read; False where the flow has said so often enough."""
        talk.issues += 1
        if talk.issues <= MAX_ISSUES_PER_FLOW:
            if talk.issues == MAX_ISSUES_PER_FLOW:
                problem += "; further problems of this flow are not listed"
            self.items.append(
                Issue(where=where, problem=problem, packet=packet, timestamp_ns=timestamp_ns, flow=talk.key)
            )
        return talk.issues < MAX_ISSUES_PER_FLOW

    def failure(
        self,
        talk: Talk,
        name: str,
        error: DecodeError,
        packet: PacketReference,
        timestamp_ns: int,
        note: str = "",
    ) -> bool:
        """Say why a message could not be read; as ``issue``."""
        if isinstance(error, InternalFaultError):
            return self.issue(talk, f"internal fault in {name}", error.problem, packet, timestamp_ns)
        kind = "ends too early" if isinstance(error, TruncatedError) else "broken"
        problem = f"{kind} at octet {error.offset}: {error.problem}{note}"
        return self.issue(talk, f"{name} {error.field}", problem, packet, timestamp_ns)

    def unknown(self, talk: Talk, forward: bool) -> None:
        """Count a payload that no dissector knew; a minimum, because not every one is looked at."""
        key = talk.key if talk.key is not None else talk.orient(forward)
        if key in self.unclaimed or len(self.unclaimed) < MAX_UNCLAIMED:
            self.unclaimed[key] = self.unclaimed.get(key, 0) + 1

    def contradicts(self, talk: Talk, forward: bool) -> None:
        """Note a flow of which a side is not read further, because its segments contradict each other."""
        key = talk.key if talk.key is not None else talk.orient(forward)
        if len(self.contradicting) < MAX_UNCLAIMED:
            self.contradicting[key] = None


class InternalFaultError(MalformedError):
    """A dissector raised what it must not."""

    def __init__(self, name: str, fault: Exception) -> None:
        # The text of the fault may hold octets of the recording: its kind must do.
        super().__init__(name, 0, f"{type(fault).__name__}; please report this")
