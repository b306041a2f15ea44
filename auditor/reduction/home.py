"""
What an audit of the copy must be told, because the copy no longer shows it: a home file to go beside it.

Roles of others hang on their names and on what they did among themselves, actions on notes; both are gone
from the copy.  The file names others by the link addresses that they have in the copy.  Not in it: nicknames
of others, reasons and notes in the household's own words, and the key of the pseudonyms, which would undo
them.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from auditor.addresses import LinkAddress, format_link, parse_link
from auditor.capture.record import CaptureFacts
from auditor.errors import OutputError
from auditor.flows.flow import PacketReference
from auditor.home.extend import Additions, extend_home
from auditor.home.loader import MAX_ACTIONS, MAX_DEVICES
from auditor.home.model import Action, Home, HomeDevice, Keep, Role
from auditor.inventory.timeline import KNOWN_ACTIONS, noted_action
from auditor.reduction.addresses import AddressPseudonyms

HEADING = "# Belongs to a copy of a recording: others stand under the link addresses that they have there.\n"
"""The first line; a file without it is somebody's own and is never overwritten."""
OTHER_ACTION = "other"
"""Stands for an action in words of the household's own: that something was done counts, the words do not."""
REASON_LEFT_OUT = "accepted by the household, whose reason is left out of this copy"

# A file has one role a device.  First those that nothing in a copy shows; what an exchange with the chosen
# device proves (router, resolver, broker) the audit of the copy finds by itself.
_ROLES: tuple[Role, ...] = (
    "recorder",
    "phone",
    "computer",
    "lighting",
    "hub",
    "server",
    "broker",
    "router",
    "resolver",
)


def home_beside(output: Path) -> Path:
    """``copy.home.yaml`` for ``copy.pcapng``."""
    return output.with_name(f"{output.stem}.home.yaml")


def refuse_foreign(path: Path) -> None:
    """Raise ``OutputError`` where a file stands that no earlier copy left there."""
    try:
        with path.open("rb") as file:
            is_ours = file.read(len(HEADING)) == HEADING.encode()
    except FileNotFoundError:
        return
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}; nothing was written") from error
    if not is_ours:
        raise OutputError(f"{path} stands in the place of the copy's home file; nothing was written")


def action_marks(facts: Sequence[CaptureFacts]) -> dict[PacketReference, Action]:
    """Actions that the recorder noted on packets, in the words that an audit knows."""
    marks: dict[PacketReference, Action] = {}
    for index, one in enumerate(facts):
        for comment in one.comments:
            action = noted_action(comment)
            if action is not None and comment.packet_number is not None:
                marks[PacketReference(index, comment.packet_number)] = _known(action)
    return marks


def comment_of(action: Action) -> str:
    """How an action stands on a packet of the copy."""
    return f"action: {action.what}"


def write_home(
    path: Path,
    document: Mapping[str, Any],
    given: Home,
    pseudonyms: AddressPseudonyms,
    actions: Iterable[Action],
) -> None:
    """
    Write the home file of a copy.

    ``document``: the revealed report of the recording; ``given``: the
    household's home file; ``actions``: those noted on packets that the copy does
    not hold.  Raises ``OutputError`` where it cannot be written.
    """
    octets = copy_home(document, given, pseudonyms, actions).encode()
    try:
        with path.open("xb") as file:
            file.write(octets)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}; nothing was written") from error


def copy_home(
    document: Mapping[str, Any], given: Home, pseudonyms: AddressPseudonyms, actions: Iterable[Action]
) -> str:
    """The text of the home file; arguments as for ``write_home``."""
    chosen = {
        parse_link(link) for row in document["devices"] if row["is_chosen"] for link in row["link_addresses"]
    }
    names = {one.nickname.casefold(): one.link_address for one in given.devices if one.nickname is not None}

    def end(written: str | None) -> str | None:
        if written is None:
            return None
        link = names.get(written.casefold())
        return format_link(pseudonyms.link(parse_link(written) if link is None else link))

    noted = sorted({*map(_known, given.actions), *actions}, key=lambda one: (one.at_ns, one.what))
    additions = Additions(
        devices=_devices(document, given, pseudonyms, chosen),
        keep=tuple(
            Keep(wish=one.wish, from_device=end(one.from_device), to_device=end(one.to_device))
            for one in given.keep
        ),
        router=given.router,
        actions=tuple(noted[:MAX_ACTIONS]),
        accepted=tuple(
            replace(one, device=end(one.device), because=REASON_LEFT_OUT, location="")
            for one in given.accepted
        ),
    )
    return extend_home(HEADING, "the copy's home file", additions)


def _known(action: Action) -> Action:
    return action if action.what in KNOWN_ACTIONS else replace(action, what=OTHER_ACTION)


def _devices(
    document: Mapping[str, Any], given: Home, pseudonyms: AddressPseudonyms, chosen: set[LinkAddress]
) -> tuple[HomeDevice, ...]:
    nicknames = {one.link_address: one.nickname for one in given.devices}
    roles: dict[LinkAddress, Role] = {one.link_address: one.role for one in given.devices}
    for row in document["devices"]:
        role = next((one for one in _ROLES if one in row["roles"]), None)
        for link in map(parse_link, row["link_addresses"]):
            if role is not None and roles.get(link, "unknown") == "unknown":
                roles[link] = role
    ordered = sorted(roles, key=lambda link: (link not in chosen, pseudonyms.link(link)))
    return tuple(
        HomeDevice(
            link_address=pseudonyms.link(link),
            role=roles[link],
            nickname=nicknames.get(link) if link in chosen else None,
        )
        for link in ordered[:MAX_DEVICES]
    )
