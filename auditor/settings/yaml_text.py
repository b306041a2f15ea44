"""
YAML to nodes whose scalars are all text, with the place of each.

Standard: YAML 1.1 (2005-01-18), as PyYAML's scanner reads it.
Reads: one document of mappings, sequences and scalars.
Keeps: no tag, anchor, alias, directive or comment; the first four are refused.

YAML's own typing would turn ``52:54:00:12:34:56`` into a number (1.1, the
sexagesimal integers of yaml.org/type/int.html), ``5.10`` into 5.1 and a lamp
called ``On`` into a truth value, so that nothing here is typed but by the
schema that reads the nodes.  The tree is built from parser events with a stack
of our own: PyYAML's composer recurses on its input.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from auditor.settings.problems import Place, Problems, shown

MAX_FILE_OCTETS = 512 * 1024  # ten times all bundled rules; nodes take up to 150 times as much (measured)
MAX_NODES = 50_000  # a file of a thousand rules has fewer
MAX_DEPTH = 16  # the deepest rule has 8 levels
MAX_KEY_CHARACTERS = 128  # the longest key of any schema has fewer than 40
MAX_SCALAR_CHARACTERS = 16_384  # four pages of rationale

# What is not printable by YAML 1.1 section 4.1.1, and the line separators NEL, LS and PS: editors do not
# count them as lines, and then no place that we print would be found.  The tab is allowed here; the scanner
# refuses it as indentation.  Those that are refused are listed: the others take ten times as long to compile.
_NOT_PRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]"
)

# libyaml where the wheel has it: an eighteenth of the time (measured), the same events (compared by a test).
LOADER: type[yaml.SafeLoader | yaml.CSafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class Scalar(NamedTuple):
    """Text as written; ``''`` where nothing stands."""

    text: str
    place: Place


class Sequence(NamedTuple):
    """A list."""

    items: tuple[Node, ...]
    place: Place


class Mapping(NamedTuple):
    """Keys in the order of the file; a key stands once."""

    entries: tuple[tuple[Scalar, Node], ...]
    place: Place


Node = Scalar | Sequence | Mapping


def describe(node: Node) -> str:
    """What was found, for an error message."""
    if isinstance(node, Scalar):
        return shown(node.text) if node.text else "nothing"
    return "a list" if isinstance(node, Sequence) else "a mapping"


def read_octets(path: Path | Traversable, name: str, problems: Problems) -> bytes | None:
    """
    The octets of a settings file of at most ``MAX_FILE_OCTETS``.

    ``name`` stands in messages instead of the path.  What cannot be read
    becomes a problem and None.
    """
    start = Place(name, 0, 0)
    try:
        if not path.is_file():
            what = "a folder" if path.is_dir() else "nothing that can be read"
            problems.add(start, f"expected a file, found {what}")
            return None
        with path.open("rb") as stream:
            octets = stream.read(MAX_FILE_OCTETS + 1)
    except OSError as error:
        problems.add(start, f"expected a file that can be read, found: {error.strerror or error}")
        return None
    if len(octets) > MAX_FILE_OCTETS:
        problems.add(start, f"expected at most {MAX_FILE_OCTETS} octets, found more")
        return None
    return octets


def parse_yaml(octets: bytes, name: str, problems: Problems) -> Node | None:
    """
    Read one document; an empty one gives an empty mapping.

    The first breach of YAML itself ends the reading, becomes a problem and
    gives None; what can be read on (a key written twice) is gathered.
    """
    text = _decode(octets, name, problems)
    if text is None:
        return None
    builder = _TreeBuilder(name, problems)
    try:
        for event in _events(text):
            if not builder.take(event):
                return None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        found = f"expected YAML, found: {error.problem or error.context}"
        problems.add(_place(name, mark), found)
        return None
    except (yaml.YAMLError, ValueError, OverflowError):  # the scanner hands escapes past U+10FFFF to chr()
        problems.add(Place(name, 0, 0), "expected YAML, found an escape or number out of range")
        return None
    return builder.root or Mapping((), Place(name, 1, 1))


def _events(text: str) -> Iterator[yaml.Event]:
    loader = LOADER(text)
    try:
        while loader.check_event():
            event = loader.get_event()
            if event is not None:  # what the type stubs allow for
                yield event
    finally:
        loader.dispose()


def _decode(octets: bytes, name: str, problems: Problems) -> str | None:
    try:
        text = octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = octets[: error.start]
        column = error.start - (before.rfind(b"\n") + 1) + 1
        place = Place(name, before.count(b"\n") + 1, column)
        problems.add(place, f"expected UTF-8, found octet 0x{octets[error.start]:02x}")
        return None
    if bad := _NOT_PRINTABLE.search(text):
        before_bad = text[: bad.start()]
        place = Place(name, before_bad.count("\n") + 1, bad.start() - before_bad.rfind("\n"))
        problems.add(place, f"expected printable characters, found U+{ord(bad.group()):04X}")
        return None
    return text


def _place(name: str, mark: Any) -> Place:  # the two scanners have mark classes of their own
    return Place(name, mark.line + 1, mark.column + 1) if mark is not None else Place(name, 0, 0)


@dataclass(slots=True)
class _Open:
    """A sequence or mapping whose end has not come yet."""

    place: Place
    is_mapping: bool
    children: list[Node]
    keys: set[str]


class _TreeBuilder:
    """Takes parser events in order; ``root`` is the document."""

    def __init__(self, name: str, problems: Problems) -> None:
        self._name = name
        self._problems = problems
        self._open: list[_Open] = []
        self._nodes = 0
        self._documents = 0
        self.root: Node | None = None

    def take(self, event: yaml.Event) -> bool:
        """Whether reading can go on."""
        place = _place(self._name, event.start_mark)
        if isinstance(event, yaml.DocumentStartEvent):
            return self._start_document(event, place)
        if isinstance(event, yaml.NodeEvent):
            return self._is_allowed(event, place) and self._start_node(event, place)
        if isinstance(event, yaml.CollectionEndEvent):
            self._end_collection()
        return True

    def _refuse(self, place: Place, problem: str) -> bool:
        self._problems.add(place, problem)
        return False

    def _start_document(self, event: yaml.DocumentStartEvent, place: Place) -> bool:
        self._documents += 1
        if self._documents > 1:
            return self._refuse(place, "expected one document, found a second")
        if event.version or event.tags:
            return self._refuse(place, "expected no directive, found one")
        return True

    def _is_allowed(self, event: yaml.NodeEvent, place: Place) -> bool:
        self._nodes += 1
        if isinstance(event, yaml.AliasEvent) or event.anchor is not None:
            return self._refuse(
                place, f"expected plain values, found the anchor or alias {shown(event.anchor)}"
            )
        if (tag := getattr(event, "tag", None)) is not None:
            return self._refuse(place, f"expected plain values, found the tag {shown(tag)}")
        if self._nodes > MAX_NODES:
            return self._refuse(place, f"expected at most {MAX_NODES} values, found more")
        if len(self._open) >= MAX_DEPTH:
            return self._refuse(place, f"expected at most {MAX_DEPTH} levels, found more")
        return True

    def _start_node(self, event: yaml.NodeEvent, place: Place) -> bool:
        is_key = bool(self._open) and self._open[-1].is_mapping and len(self._open[-1].children) % 2 == 0
        if isinstance(event, yaml.ScalarEvent):
            if len(event.value) > (MAX_KEY_CHARACTERS if is_key else MAX_SCALAR_CHARACTERS):
                limit = MAX_KEY_CHARACTERS if is_key else MAX_SCALAR_CHARACTERS
                return self._refuse(place, f"expected at most {limit} characters, found {len(event.value)}")
            if bad := _NOT_PRINTABLE.search(event.value):
                return self._refuse(place, f"expected printable characters, found U+{ord(bad.group()):04X}")
            if is_key:
                self._note_key(event.value, place)
            self._place_node(Scalar(event.value, place))
            return True
        if is_key:
            return self._refuse(place, "expected a word before the colon, found a list or mapping")
        self._open.append(_Open(place, isinstance(event, yaml.MappingStartEvent), [], set()))
        return True

    def _note_key(self, key: str, place: Place) -> None:
        keys = self._open[-1].keys
        if key in keys:
            self._problems.add(place, f"expected each key once, found {shown(key)} again")
        keys.add(key)

    def _end_collection(self) -> None:
        done = self._open.pop()
        if done.is_mapping:
            keys = (child for child in done.children[::2] if isinstance(child, Scalar))
            self._place_node(Mapping(tuple(zip(keys, done.children[1::2], strict=True)), done.place))
        else:
            self._place_node(Sequence(tuple(done.children), done.place))

    def _place_node(self, node: Node) -> None:
        if self._open:
            self._open[-1].children.append(node)
        else:
            self.root = node
