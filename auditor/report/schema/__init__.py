"""JSON Schemas of the reports, as package data."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

REPORT_SCHEMA_NAME = "report-1.schema.json"


def load_report_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``schema_version`` 1."""
    text = resources.files(__name__).joinpath(REPORT_SCHEMA_NAME).read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
