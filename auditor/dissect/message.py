"""What dissectors produce, and what dispatch puts around it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from auditor.flows.flow import Endpoint, FlowKey, PacketReference
from auditor.value_class import value_class


@value_class
class Message:
    """
    The content of one message of an application protocol.

    Who sent it, when, and in which packet stands in the ``Envelope`` that
    ``auditor.dissect.dispatch`` puts around it.
    """

    length: int
    """Octets on the wire, header included; may pass what was captured where a body was skipped."""


@value_class
class PassedOver(Message):
    """
    Octets that belong to the protocol and say nothing: the rest of a body, an interim response, padding.

    Dispatch goes on by ``length`` and hands nothing on.
    """


class Envelope(NamedTuple):
    """A message and where it was seen; a tuple because there is one for each message of a recording."""

    protocol: str
    """Our identifier of the protocol: the IANA service name in lower case where there is one."""
    flow: FlowKey
    """Oriented from initiator to responder as dispatch knew it at this message."""
    from_initiator: bool
    packet: PacketReference
    """The packet in which the message begins."""
    timestamp_ns: int
    message: Message
    link_type: int
    """LINKTYPE number of the packet."""

    @property
    def source(self) -> Endpoint:
        """Who sent the message."""
        return self.flow.initiator if self.from_initiator else self.flow.responder

    @property
    def destination(self) -> Endpoint:
        """To whom it was sent; may be a group."""
        return self.flow.responder if self.from_initiator else self.flow.initiator


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """Something inside a packet that could not be read."""

    where: str
    """Protocol and field, for instance ``dns question_name``; never octets of the recording."""
    problem: str
    """What was expected and found, numbers only."""
    packet: PacketReference | None
    timestamp_ns: int | None
    flow: FlowKey | None = None
