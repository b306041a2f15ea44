"""
Write a home file, or add to one that somebody wrote by hand.

What is there stays as it stands, comments, quotes and order included: text is
put in between, nothing is written anew.  (A general library for this joins
lines after trailing comments and rounds times to microseconds; measured on its
version 0.18.)  The result is read back and must hold what was wanted, or
nothing is handed out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import yaml

from auditor.addresses import format_link
from auditor.errors import HomeError
from auditor.home.loader import parse_home
from auditor.home.model import Acceptance, Action, Home, HomeDevice, Keep
from auditor.units import format_time

INDENT = "  "


@dataclass(frozen=True, slots=True, kw_only=True)
class Additions:
    """What shall stand in the file; what stands there already is not written twice."""

    devices: tuple[HomeDevice, ...] = ()
    keep: tuple[Keep, ...] = ()
    router: Literal["nothing", "guest", "vlan"] | None = None
    actions: tuple[Action, ...] = ()
    accepted: tuple[Acceptance, ...] = ()
    """Their ``location`` counts for nothing."""


def extend_home(text: str, name: str, additions: Additions) -> str:
    """
    ``text`` with ``additions``; an empty text becomes a new file.

    Raises ``HomeError`` where ``text`` is no home file (the place of each
    mistake), or where the additions contradict it, such as a second nickname
    for one link address.
    """
    before = parse_home(text.encode(), name)
    wanted = _joined(before, additions)
    edits = _Edits(text)
    edits.add_items("devices", [_device(one) for one in wanted.devices if one not in before.devices])
    edits.add_items("keep", [_keep(one) for one in wanted.keep if one not in before.keep])
    if wanted.router != before.router:
        edits.set_word("router", str(wanted.router))
    edits.add_items("actions", [_action(one) for one in wanted.actions if one not in before.actions])
    edits.add_items("accepted", [_accepted(one) for one in wanted.accepted[len(before.accepted) :]])
    after = edits.text()
    if not _same(parse_home(after.encode(), name), wanted):
        raise HomeError(name, "it is written in a way that cannot be added to; add the lines by hand")
    return after


def _joined(home: Home, more: Additions) -> Home:
    actions = dict.fromkeys((*home.actions, *more.actions))
    return replace(
        home,
        devices=tuple(dict.fromkeys((*home.devices, *more.devices))),
        keep=tuple(dict.fromkeys((*home.keep, *more.keep))),
        router=more.router or home.router,
        actions=tuple(sorted(actions, key=lambda action: action.at_ns)),
        accepted=(*home.accepted, *(one for one in more.accepted if one not in home.accepted)),
    )


def _same(one: Home, other: Home) -> bool:
    """Equal but for the places in the file, which move when lines are put in between."""
    return replace(one, accepted=_placeless(one)) == replace(other, accepted=_placeless(other))


def _placeless(home: Home) -> tuple[Acceptance, ...]:
    return tuple(replace(entry, location="") for entry in home.accepted)


def _quoted(text: str) -> str:
    """A double-quoted scalar (YAML 1.2 section 7.3.1), in which no character has a meaning of its own."""
    dumped: str = yaml.safe_dump(text, default_style='"', allow_unicode=True, width=10**6)
    return dumped.strip()


def _device(device: HomeDevice) -> str:
    parts = [f"link_address: {_quoted(format_link(device.link_address))}", f"role: {device.role}"]
    if device.nickname is not None:
        parts.append(f"nickname: {_quoted(device.nickname)}")
    return "{" + ", ".join(parts) + "}"


def _keep(keep: Keep) -> str:
    ends = {"from": keep.from_device, "to": keep.to_device}
    named = [f"{end}: {_quoted(device)}" for end, device in ends.items() if device is not None]
    return "{" + ", ".join([f"wish: {keep.wish}", *named]) + "}" if named else keep.wish


def _action(action: Action) -> str:
    return f'{{at: "{format_time(action.at_ns)}", what: {_quoted(action.what)}}}'


def _accepted(entry: Acceptance) -> str:
    device = "" if entry.device is None else f", device: {_quoted(entry.device)}"
    because = f"because: {_quoted(entry.because)}"
    return f'{{rule: {entry.rule}{device}, {because}, until: "{entry.until.isoformat()}"}}'


class _Edits:
    """Insertions into one text, by places that its parser tells."""

    def __init__(self, text: str) -> None:
        self._text = text
        root = yaml.compose(text, Loader=yaml.SafeLoader)  # nodes alone: nothing is constructed
        entries = root.value if isinstance(root, yaml.MappingNode) else []
        self._nodes: dict[str, yaml.Node] = {key.value: value for key, value in entries}
        self._is_flow = bool(isinstance(root, yaml.MappingNode) and root.flow_style)
        self._pieces: list[tuple[int, int, str]] = []  # start, end, instead
        self._tail: list[str] = []

    def add_items(self, key: str, items: Sequence[str]) -> None:
        """Put items at the end of a list, in the style in which it is written."""
        if not items:
            return
        node = self._nodes.get(key)
        if node is None:
            self._tail.append("\n".join([f"{key}:", *(f"{INDENT}- {item}" for item in items)]))
        elif not isinstance(node, yaml.SequenceNode):
            return  # something else stands there, which reading the result back will tell
        elif node.flow_style:
            place = node.value[-1].end_mark.index if node.value else node.start_mark.index + 1
            joined = ", ".join(items)
            self._pieces.append((place, place, f", {joined}" if node.value else joined))
        else:
            place = self._end_of_line(_last_leaf(node).end_mark.index)
            indent = " " * node.start_mark.column
            self._pieces.append((place, place, "".join(f"\n{indent}- {item}" for item in items)))

    def _end_of_line(self, index: int) -> int:
        if index and self._text[index - 1] == "\n":  # a folded or literal scalar ends behind its line
            return index - 1
        end = self._text.find("\n", index)
        return len(self._text) if end < 0 else end

    def set_word(self, key: str, word: str) -> None:
        """Put a word in the place of the one that stands there."""
        node = self._nodes.get(key)
        if node is None:
            self._tail.append(f"{key}: {word}")
        else:
            self._pieces.append((node.start_mark.index, node.end_mark.index, word))

    def text(self) -> str:
        """The text with everything put in."""
        made = self._text
        for start, end, instead in sorted(self._pieces, reverse=True):
            made = made[:start] + instead + made[end:]
        if not self._tail:
            return made
        if self._is_flow:  # one pair of braces around the whole file: nothing can stand behind it
            return made
        if made and not made.endswith("\n"):
            made += "\n"
        return made + "\n".join(self._tail) + "\n"


def _last_leaf(node: yaml.Node) -> yaml.Node:
    """The end of a block is where the next thing begins, comments included; that of its last word is not."""
    while isinstance(node, yaml.CollectionNode) and node.value and not node.flow_style:
        last = node.value[-1]
        node = last[1] if isinstance(last, tuple) else last
    return node
