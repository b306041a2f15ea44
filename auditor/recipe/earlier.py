"""The JSON of an earlier audit: untrusted like every input, read for its open questions alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from auditor.errors import UsageError
from auditor.report.document import SCHEMA_VERSION

MAX_REPORT_OCTETS = 64 << 20
"""A report of 5,000 findings has some 10 MB."""


def read_report(path: Path) -> dict[str, Any]:
    """
    ``{"coverage": {"could_not_see": [...]}}`` with texts, whatever else the file holds.

    Raises ``UsageError`` for a file that is no report of schema 1.
    """
    try:
        with path.open("rb") as file:
            octets = file.read(MAX_REPORT_OCTETS + 1)
    except OSError as error:
        raise UsageError("--report", f"{path}: {error.strerror or error}") from error
    if len(octets) > MAX_REPORT_OCTETS:
        raise UsageError("--report", f"{path}: expected at most {MAX_REPORT_OCTETS} octets, found more")
    try:
        document = json.loads(octets)
    except (ValueError, RecursionError) as error:
        raise UsageError("--report", f"{path}: expected JSON of 'auditor audit --format json'") from error
    if not isinstance(document, dict) or document.get("schema_version") != SCHEMA_VERSION:
        raise UsageError("--report", f"{path}: expected a report of schema version {SCHEMA_VERSION}")
    coverage = document.get("coverage")
    entries = coverage.get("could_not_see") if isinstance(coverage, dict) else None
    if not isinstance(entries, list) or not all(map(_is_entry, entries)):
        raise UsageError("--report", f"{path}: expected 'coverage.could_not_see' as schema 1 describes it")
    return {"coverage": {"could_not_see": entries}}


def _is_entry(entry: object) -> bool:
    keys = ("question", "reason", "record_next")
    return isinstance(entry, dict) and all(isinstance(entry.get(key), str) for key in keys)
