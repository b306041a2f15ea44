"""
Give up the rights of the superuser once the interface is open.

Source: setresuid(2), setgroups(2), capabilities(7): all three user ids away from 0 clear every capability;
        sudo(8): SUDO_UID and SUDO_GID name who called it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from auditor.errors import UsageError


def future_owner(folder: Path) -> tuple[int, int] | None:
    """
    User and group that go on: who called sudo, else who owns the folder.

    None where nothing is to be given up: no superuser, or the folder is the
    superuser's own.
    """
    if sys.platform == "win32" or os.geteuid() != 0:
        return None
    try:
        user, group = int(os.environ.get("SUDO_UID", "")), int(os.environ.get("SUDO_GID", ""))
    except ValueError:
        status = folder.stat()
        user, group = status.st_uid, status.st_gid
    return (user, group) if user > 0 else None


def drop_privileges(folder: Path, tell: Callable[[str], None]) -> None:
    """
    Become the future owner, for good; raises ``UsageError`` where the folder would not be writable then.

    The whole process changes: call it where nothing else needs the rights.
    """
    if sys.platform == "win32":
        return
    owner = future_owner(folder)
    if owner is None:
        if os.geteuid() == 0:
            tell(f"goes on as the superuser, to whom the folder '{folder}' belongs")
        return
    user, group = owner
    os.setgroups([])
    os.setgid(group)
    os.setuid(user)  # of a superuser: real, effective and saved at once (setuid(2))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise UsageError("--folder", f"{folder} is not writable for user {user}, who goes on recording")


def make_folder(folder: Path) -> None:
    """Make a missing folder that only its owner reads, and that who goes on recording can write."""
    if folder.is_dir():
        return
    try:
        owner = future_owner(folder.absolute().parent)
        folder.mkdir(mode=0o700)
        if owner is not None and sys.platform != "win32":
            os.chown(folder, *owner)
    except OSError as error:
        raise UsageError("--folder", f"{folder} cannot be made: {error.strerror or error}") from None
