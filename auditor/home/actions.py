"""
Write noted actions into a home file that somebody wrote by hand: everything else in it stays as it is.

The text is not written anew but added to, and read back before it counts: the
file has to hold the actions it held and the new ones, or it is left alone.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from auditor.errors import HomeError
from auditor.home.extend import Additions, extend_home
from auditor.home.loader import MAX_ACTIONS, MAX_REASON_CHARACTERS, parse_home
from auditor.home.model import Action


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
    held = parse_home(octets, name).actions
    if len(held) + len(actions) > MAX_ACTIONS:
        raise HomeError(name, f"holds {len(held)} actions; with these it would be more than {MAX_ACTIONS}")
    short = tuple(replace(action, what=action.what[:MAX_REASON_CHARACTERS]) for action in actions)
    return extend_home(octets.decode("utf-8"), name, Additions(actions=short)).encode("utf-8")
