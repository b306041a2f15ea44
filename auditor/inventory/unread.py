"""
Conversations of a device whose content was not read: in an unknown protocol, contradicting, or encrypted.

A rule about orders or secrets must not say that it saw none where one of these
could have held it: the recording could not show it, or this program could not
read it (house contract, section 2).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from auditor.flows.flow import FlowKey
from auditor.inventory.model import UnreadConversation
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.services import TRANSPORTS, Oriented
from auditor.inventory.timeline import AFTER_ACTION_NS, BEFORE_ACTION_NS, CONTROL_ACTIONS, Timeline

MAX_UNREAD_KEPT = 64  # conversations of one device: a reason names a few of them
INTERNET = "the internet"


def unread_conversations(
    oriented: Iterable[Oriented],
    unclaimed: Mapping[FlowKey, int],
    contradicting: Iterable[FlowKey],
    network: Network,
    chosen: Collection[str],
    recorder_id: str | None,
) -> dict[str, tuple[UnreadConversation, ...]]:
    """
    By chosen device: unicast in an unknown protocol or with segments that contradict each other, and
    encrypted conversations that it served at home.

    What the recording person's own host asked is left out, as everywhere.
    """
    found: dict[str, dict[UnreadConversation, None]] = {device_id: {} for device_id in chosen}

    def note(
        device_id: str, peer: str, transport: str, port: int, *, encrypted: bool, contradicts: bool = False
    ) -> None:
        rows = found.get(device_id)
        if rows is not None and peer != recorder_id and len(rows) < MAX_UNREAD_KEPT:
            row = UnreadConversation(
                peer=peer,
                transport=transport,
                port=port,
                is_encrypted=encrypted,
                is_at_home=peer != INTERNET,
                is_contradicting=contradicts,
            )
            rows[row] = None

    contradicts = dict.fromkeys(contradicting, True)
    # Those first: they are few, and what is kept is bounded.
    for key in (*contradicts, *(key for key in unclaimed if key not in contradicts)):
        initiator, responder = network.party(key.initiator), network.party(key.responder)
        transport = TRANSPORTS.get(key.protocol)
        if transport not in {"tcp", "udp"}:
            continue
        for own, other in ((initiator, responder), (responder, initiator)):
            if other.is_device or other.kind == OUTSIDE:
                peer = other.device_id or INTERNET
                note(
                    own.device_id,
                    peer,
                    transport,
                    key.responder.port,
                    encrypted=False,
                    contradicts=key in contradicts,
                )
    for row in oriented:
        if is_encrypted_service(row):
            transport = TRANSPORTS[row.flow.key.protocol]
            note(row.server.device_id, row.client.device_id, transport, row.server_end.port, encrypted=True)
    return {device_id: tuple(sorted(rows, key=_order)) for device_id, rows in found.items() if rows}


def _order(row: UnreadConversation) -> tuple[bool, bool, str, int, str]:
    return row.is_encrypted, row.is_contradicting, row.transport, row.port, row.peer


def is_encrypted_service(row: Oriented) -> bool:
    """Whether a device answered another one at home, encrypted."""
    if row.content is None or not (row.server.is_device and row.client.is_device and row.answered):
        return False  # the cheap questions first: this is asked of every flow
    return row.content.confidentiality not in {"clear", "unknown"}


def encrypted_control(
    oriented: Iterable[Oriented], timeline: Timeline, chosen: Collection[str], recorder_id: str | None
) -> list[Oriented]:
    """Encrypted conversations that others at home had with a chosen device about a noted action."""
    moments = [action.at_ns for action in timeline.actions if action.what in CONTROL_ACTIONS]
    return [
        row
        for row in oriented
        if is_encrypted_service(row)
        and row.server.device_id in chosen
        and row.client.device_id != recorder_id
        and any(
            row.flow.start_ns <= at + AFTER_ACTION_NS and row.flow.end_ns >= at - BEFORE_ACTION_NS
            for at in moments
        )
    ]
