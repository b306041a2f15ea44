"""
Which outlets are on: ``watch.yaml`` in the folder of the store.

Keys, all of which may be missing: ``mail_to``, ``file``, ``webhook``, ``metrics``.
They stand there and not in the home file, which tells of the home and may be
handed on; where mail goes to belongs to this machine.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from auditor.errors import SettingsError
from auditor.settings.problems import Problems
from auditor.settings.typed import read_mapping, read_text
from auditor.settings.yaml_text import parse_yaml, read_octets

SETTINGS_NAME = "watch.yaml"
MAX_VALUE_CHARACTERS = 1_000
"""Of a path, an address or a location: longer than any of them has to be."""
_KEYS = ("mail_to", "file", "webhook", "metrics")
# A part of RFC 5321 4.1.2 that cannot begin an option or end a header line; a bare name is a local user.
_MAIL = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._+-]{0,63}(@[A-Za-z0-9]([A-Za-z0-9.-]{0,252}))?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutletSettings:
    """Outlets that are on; None: off."""

    mail_to: str | None = None
    file: Path | None = None
    """The lines of each run are put at its end, with the time."""
    webhook: str | None = None
    """``http://ADDRESS[:PORT]/PATH`` with a private or loopback address."""
    metrics: Path | None = None
    """OpenMetrics text, replaced as a whole by each run."""


def load_settings(folder: Path) -> OutletSettings:
    """Read ``watch.yaml``; none is none.  Raises ``SettingsError`` with the place of each mistake."""
    path = folder / SETTINGS_NAME
    if not path.exists():
        return OutletSettings()
    problems = Problems()
    octets = read_octets(path, str(path), problems)
    problems.raise_as(SettingsError)
    root = parse_yaml(octets or b"", str(path), problems)
    if root is None:
        problems.raise_as(SettingsError)
        return OutletSettings()
    entries = read_mapping(root, problems, what="the settings of the watch", keys=_KEYS) or {}
    found = {
        key: read_text(node, problems, what=key, most=MAX_VALUE_CHARACTERS) for key, node in entries.items()
    }
    mail_to = found.get("mail_to")
    if mail_to is not None and not _MAIL.fullmatch(mail_to):
        problems.add(
            entries["mail_to"].place, "expected one mail address or local user, found something else"
        )
    problems.raise_as(SettingsError)
    file, metrics = found.get("file"), found.get("metrics")
    return OutletSettings(
        mail_to=mail_to,
        file=None if file is None else folder / file,
        webhook=found.get("webhook"),
        metrics=None if metrics is None else folder / metrics,
    )
