"""
Write noted actions into a home file that somebody wrote by hand: everything else in it stays as it is.

The text is not written anew but added to, and read back before it counts: the
file has to hold the actions it held and the new ones, or it is left alone.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Sequence
from pathlib import Path

import yaml

from auditor.errors import HomeError
from auditor.home.loader import MAX_ACTIONS, MAX_REASON_CHARACTERS, parse_home
from auditor.home.model import Action
from auditor.settings.yaml_text import LOADER
from auditor.units import format_time


def write_actions(path: Path, actions: Sequence[Action]) -> None:
    """
    Add actions to a home file, complete or not at all; a file that is missing is begun.

    Raises ``HomeError`` where the file cannot be used or written, and leaves it as it was.
    """
    target = Path(os.path.realpath(path))  # a link keeps pointing where it did
    try:
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o600
        before = target.read_bytes() if target.exists() else b""
        after = add_actions(before, actions, str(path))
        temporary = target.with_name(f".{target.name[:100]}.{os.urandom(4).hex()}.part")
        try:
            with temporary.open("xb") as file:
                file.write(after)
                file.flush()
                os.fsync(file.fileno())
            temporary.chmod(mode)
            temporary.replace(target)
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    except OSError as error:
        raise HomeError(str(path), f"cannot be written: {error.strerror or error}") from None


def add_actions(octets: bytes, actions: Sequence[Action], name: str) -> bytes:
    """Octets of a home file with further actions; raises ``HomeError`` where they find no place."""
    if not actions:
        return octets
    known = parse_home(octets, name) if octets.strip() else None
    held = known.actions if known is not None else ()
    if len(held) + len(actions) > MAX_ACTIONS:
        raise HomeError(name, f"holds {len(held)} actions; with these it would be more than {MAX_ACTIONS}")
    entries = [_entry(action) for action in actions]
    after = _insert(octets.decode("utf-8"), entries).encode("utf-8")
    try:
        read = parse_home(after, name)
    except HomeError:
        read = None
    wanted = sorted([*held, *actions], key=lambda action: action.at_ns)
    if read is None or sorted(read.actions, key=lambda action: action.at_ns) != wanted:
        raise HomeError(name, "its 'actions' are written in a way that nothing can be added to by itself")
    return after


def _entry(action: Action) -> str:
    """One action as a line of YAML; JSON's strings are YAML's double-quoted ones (YAML 1.2 section 1.3)."""
    what = json.dumps(action.what[:MAX_REASON_CHARACTERS], ensure_ascii=False)
    return f'{{at: "{format_time(action.at_ns)}", what: {what}}}'


def _insert(text: str, entries: Sequence[str]) -> str:
    root = yaml.compose(text, Loader=LOADER) if text.strip() else None
    value = None
    if isinstance(root, yaml.MappingNode):
        value = next((value for key, value in root.value if key.value == "actions"), None)
    if value is None:
        if isinstance(root, yaml.MappingNode) and root.flow_style:
            return text  # a file of one brace: nothing of ours fits behind it
        lines = "".join(f"  - {entry}\n" for entry in entries)
        return text + ("" if not text or text.endswith("\n") else "\n") + f"actions:\n{lines}"
    if isinstance(value, yaml.SequenceNode) and value.flow_style:
        return _into_brackets(text, value, entries)
    indent = value.start_mark.column if isinstance(value, yaml.SequenceNode) else 2
    place = _end_of_line(text, _last_index(value))
    lines = "".join(f"\n{' ' * indent}- {entry}" for entry in entries)
    return text[:place] + lines + text[place:]


def _into_brackets(text: str, value: yaml.SequenceNode, entries: Sequence[str]) -> str:
    place = _last_index(value.value[-1]) if value.value else value.start_mark.index + 1
    joined = ", ".join(entries)
    return text[:place] + (f", {joined}" if value.value else joined) + text[place:]


def _last_index(node: yaml.Node) -> int:
    """Where what a node says ends; a block's own end lies behind the comments after it."""
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        return _last_index(last[1] if isinstance(last, tuple) else last)
    return int(node.end_mark.index)


def _end_of_line(text: str, index: int) -> int:
    if index and text[index - 1] == "\n":  # a block scalar ends behind its line
        return index - 1
    end = text.find("\n", index)
    return len(text) if end < 0 else end
