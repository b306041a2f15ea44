"""
The home file: YAML to ``Home``.

Keys: ``devices``, ``keep``, ``router``, ``actions``, ``accepted``,
``pseudonym_key``; all may be missing, none may be unknown.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TypeVar, cast

from auditor.addresses import NO_LINK, LinkAddress, format_link, is_group_link, parse_link
from auditor.errors import HomeError
from auditor.home.model import ROLES, WISHES, Acceptance, Action, Home, HomeDevice, Keep, Role, Wish
from auditor.settings.problems import Place, Problems, shown
from auditor.settings.times import parse_date, parse_time_ns
from auditor.settings.typed import read_mapping, read_sequence, read_text, read_word
from auditor.settings.yaml_text import Node, Scalar, describe, parse_yaml, read_octets

MAX_DEVICES = 1_000  # a home has tens
MAX_KEEPS = 200  # wishes; ten kinds between a few devices are tens
MAX_ACTIONS = 1_000  # one every few seconds for an hour
MAX_ACCEPTED = 1_000  # accepted findings; a home that accepts more needs other rules
MAX_NAME_CHARACTERS = 64  # a nickname has to fit a line of the report
MAX_REASON_CHARACTERS = 500  # a reason is a sentence or two
_KEYS = ("devices", "keep", "router", "actions", "accepted", "pseudonym_key")
_ROUTERS = ("nothing", "guest", "vlan")
_RULE_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", re.ASCII)
# RFC 7693 section 2.1: a key of BLAKE2b has at most 64 octets.  Fewer than 16 could be tried out.
_KEY = re.compile(r"([0-9a-fA-F]{2}){16,64}", re.ASCII)
_LINK_FORM = re.compile(r"[0-9a-fA-F]{2}([:-])(?:[0-9a-fA-F]{2}\1){4}[0-9a-fA-F]{2}", re.ASCII)

T = TypeVar("T")


def load_home(path: Path) -> Home:
    """Read a home file; raises ``HomeError`` with one line for each mistake, the first one's place first."""
    problems = Problems()
    octets = read_octets(path, str(path), problems)
    problems.raise_as(HomeError)
    return parse_home(octets or b"", str(path))


def parse_home(octets: bytes, name: str) -> Home:
    """Octets of a home file to ``Home``; ``name`` stands in places.  Raises ``HomeError``."""
    problems = Problems()
    root = parse_yaml(octets, name, problems)
    home = _HomeReader(problems).read(root) if root is not None else Home()
    problems.raise_as(HomeError)
    return home


class _HomeReader:
    """Reads the parts in the order in which they refer to each other."""

    def __init__(self, problems: Problems) -> None:
        self._problems = problems
        self._nicknames: dict[str, str] = {}  # casefolded to as written
        self._links: dict[LinkAddress, str] = {}

    def read(self, root: Node) -> Home:
        entries = read_mapping(root, self._problems, what="the home file", keys=_KEYS) or {}
        devices = self._each(entries.get("devices"), "devices", MAX_DEVICES, self._device)
        keep = self._each(entries.get("keep"), "keep", MAX_KEEPS, self._keep)
        actions = self._each(entries.get("actions"), "actions", MAX_ACTIONS, self._action)
        accepted = self._each(entries.get("accepted"), "accepted", MAX_ACCEPTED, self._acceptance)
        self._refuse_doubles(accepted)
        router = None
        if "router" in entries:
            router = read_word(
                entries["router"], self._problems, what="what the router can do", words=_ROUTERS
            )
        return Home(
            devices=devices,
            keep=keep,
            router=router,  # type: ignore[arg-type]  # read_word gives nothing but these words
            actions=tuple(sorted(actions, key=lambda action: action.at_ns)),
            accepted=accepted,
            pseudonym_key=self._key(entries["pseudonym_key"]) if "pseudonym_key" in entries else None,
        )

    def _each(
        self, node: Node | None, what: str, most: int, read: Callable[[Node], T | None]
    ) -> tuple[T, ...]:
        if node is None:
            return ()
        items = read_sequence(node, self._problems, what=what, most=most) or ()
        return tuple(value for item in items if (value := read(item)) is not None)

    def _device(self, node: Node) -> HomeDevice | None:
        entries = read_mapping(
            node,
            self._problems,
            what="a device",
            keys=("link_address", "role", "nickname"),
            required=("link_address",),
        )
        if not entries or "link_address" not in entries:
            return None
        link = self._link(entries["link_address"])
        role = "unknown"
        if "role" in entries:
            role = read_word(entries["role"], self._problems, what="a role", words=ROLES) or "unknown"
        nickname = self._nickname(entries["nickname"]) if "nickname" in entries else None
        return HomeDevice(link_address=link, role=cast("Role", role), nickname=nickname) if link else None

    def _link(self, node: Node) -> LinkAddress | None:
        link = _parse_link(node)
        if link is None or link == NO_LINK or is_group_link(link):
            expected = "a link address of one device such as 02:00:5e:10:00:01"
            self._problems.add(node.place, f"expected {expected}, found {describe(node)}")
            return None
        if link in self._links:
            self._problems.add(
                node.place, f"expected each link address once, found {format_link(link)} again"
            )
        self._links[link] = format_link(link)
        return link

    def _nickname(self, node: Node) -> str | None:
        name = read_text(node, self._problems, what="a nickname", most=MAX_NAME_CHARACTERS)
        if name is None:
            return None
        if "\n" in name or "\t" in name or _LINK_FORM.fullmatch(name):
            self._problems.add(
                node.place, f"expected a nickname of one line that is no link address, found {shown(name)}"
            )
        if name.casefold() in self._nicknames:
            self._problems.add(node.place, f"expected each nickname once, found {shown(name)} again")
        self._nicknames[name.casefold()] = name
        return name

    def _device_named(self, node: Node) -> str | None:
        """A device as ``keep`` and ``accepted`` name it: its nickname as declared, or a link address."""
        if (link := _parse_link(node)) is not None:
            return format_link(link)
        name = read_text(node, self._problems, what="a nickname or link address", most=MAX_NAME_CHARACTERS)
        if name is None:
            return None
        if name.casefold() not in self._nicknames:
            what = "expected a link address or a nickname from 'devices'"
            self._problems.add(node.place, f"{what}, found {shown(name)}")
            return None
        return self._nicknames[name.casefold()]

    def _keep(self, node: Node) -> Keep | None:
        if isinstance(node, Scalar):
            wish = read_word(node, self._problems, what="a wish", words=WISHES)
            return Keep(wish=cast("Wish", wish), from_device=None, to_device=None) if wish else None
        entries = read_mapping(
            node, self._problems, what="a wish", keys=("wish", "from", "to"), required=("wish",)
        )
        if not entries or "wish" not in entries:
            return None
        wish = read_word(entries["wish"], self._problems, what="a wish", words=WISHES)
        ends = [self._device_named(entries[end]) if end in entries else None for end in ("from", "to")]
        if ends[0] is not None and ends[0] == ends[1]:
            self._problems.add(node.place, f"expected two different devices, found {shown(ends[0])} twice")
        return Keep(wish=cast("Wish", wish), from_device=ends[0], to_device=ends[1]) if wish else None

    def _action(self, node: Node) -> Action | None:
        entries = read_mapping(
            node, self._problems, what="an action", keys=("at", "what"), required=("at", "what")
        )
        if not entries or len(entries) < 2:
            return None
        what = read_text(entries["what"], self._problems, what="what was done", most=MAX_REASON_CHARACTERS)
        at_ns = self._moment(entries["at"], parse_time_ns)
        return None if at_ns is None or what is None else Action(at_ns=at_ns, what=what)

    def _moment(self, node: Node, parse: Callable[[str], T]) -> T | None:
        try:
            return parse(node.text.strip() if isinstance(node, Scalar) else "")
        except ValueError as error:
            self._problems.add(node.place, f"{error}, found {describe(node)}")
            return None

    def _acceptance(self, node: Node) -> Acceptance | None:
        keys = ("rule", "device", "because", "until")
        required = ("rule", "because", "until")
        entries = read_mapping(node, self._problems, what="an accepted finding", keys=keys, required=required)
        if not entries or not all(key in entries for key in required):
            return None
        rule = read_text(entries["rule"], self._problems, what="a rule's id", most=MAX_NAME_CHARACTERS)
        if rule is not None and not _RULE_ID.fullmatch(rule):
            self._problems.add(entries["rule"].place, f"expected a rule's id, found {shown(rule)}")
        because = read_text(entries["because"], self._problems, what="a reason", most=MAX_REASON_CHARACTERS)
        until: date | None = self._moment(entries["until"], parse_date)
        device = self._device_named(entries["device"]) if "device" in entries else None
        if rule is None or because is None or until is None:
            return None
        location = str(entries["rule"].place)
        return Acceptance(rule=rule, device=device, because=because, until=until, location=location)

    def _refuse_doubles(self, accepted: tuple[Acceptance, ...]) -> None:
        seen: dict[tuple[str, str | None], str] = {}
        for entry in accepted:
            first = seen.setdefault((entry.rule, entry.device), entry.location)
            if first != entry.location:
                name, line, column = entry.location.rsplit(":", 2)
                place = Place(name, int(line), int(column))
                self._problems.add(place, f"expected each rule and device once, found {entry.rule} again")

    def _key(self, node: Node) -> bytes | None:
        # The message never repeats what was found: the key tells pseudonyms apart from the names behind them.
        if not isinstance(node, Scalar) or not _KEY.fullmatch(node.text):
            self._problems.add(node.place, "expected 32 to 128 hexadecimal digits, found something else")
            return None
        return bytes.fromhex(node.text)


def _parse_link(node: Node) -> LinkAddress | None:
    if isinstance(node, Scalar) and _LINK_FORM.fullmatch(node.text):
        return parse_link(node.text)
    return None
