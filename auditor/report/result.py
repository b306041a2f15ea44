"""What a run hands back: the redacted document, and its printed forms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from auditor.redaction.documents import ShownDocument
from auditor.report.json import render_json
from auditor.report.markdown import render_markdown
from auditor.report.outline import Outline
from auditor.report.text import render_text
from auditor.report.verdict import findings_from


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditReport:
    """The result of one run; everything in it has passed the redaction."""

    document: ShownDocument
    """House section 9, schema 1.  Shared, not copied: treat it as read-only."""
    outline: Outline
    """The same content in the order of a printed report."""
    not_judged: str | None
    """Why nothing could be judged, or an input could not be read; None where all could."""

    def to_json(self) -> str:
        """JSON text of the document."""
        return render_json(self.document)

    def to_text(self, *, colour: bool = False) -> str:
        """Plain text, eighty columns."""
        return render_text(self.outline, colour=colour)

    def to_markdown(self) -> str:
        """CommonMark with tables."""
        return render_markdown(self.outline)

    def findings_from(self, severity: str) -> list[dict[str, Any]]:
        """Findings that count, at or above a severity word; ``never`` gives none."""
        return findings_from(self.document, severity)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanReport(AuditReport):
    """The result of ``plan``."""

    files: Mapping[str, str]
    """Contents by file name: the steps, the rules and the usage descriptions; empty where there is no plan.

    The rules hold the addresses of the devices that they name, revealed or not: without them they are none.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareReport(AuditReport):
    """The result of ``compare``."""

    @property
    def is_broken(self) -> bool:
        """The judged devices still reach what no wish asks for."""
        return any(one["rule_id"] == "isolation-broken" for one in self.document["findings"])

    @property
    def wishes_lost(self) -> tuple[str, ...]:
        """What must go on and does not."""
        return tuple(one["wish"] for one in self.document["comparison"]["wishes"] if one["state"] == "lost")
