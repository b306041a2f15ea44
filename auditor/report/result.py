"""What a run hands back: the redacted document, and its printed forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from auditor.redaction.documents import ShownDocument
from auditor.report.json import render_json
from auditor.report.markdown import render_markdown
from auditor.report.outline import Outline
from auditor.report.text import COLUMNS, render_text
from auditor.report.verdict import findings_from, nothing_judged

Form = Literal["audit", "check", "plan", "compare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditReport:
    """The result of one run; everything in it has passed the redaction."""

    document: ShownDocument
    """House section 9, schema 1.  Shared, not copied: treat it as read-only."""
    outline: Outline
    """The same content in the order of a printed report."""
    not_judged: str | None
    """Why nothing could be judged, or an input could not be read; None where all could."""
    form: Form = "audit"
    """Which command it is the answer of."""
    complete: Callable[[], ShownDocument] | None = field(default=None, repr=False, compare=False)
    """Makes the document that the long report is drawn from, when it is asked for: with all of the plan, and
    with the times for the pictures (``report.moments``), which are no part of the JSON."""

    brief: Outline | None = None
    """What a terminal shows first; None where the command has one length only."""

    def to_json(self) -> str:
        """JSON text of the document."""
        return render_json(self.document)

    def to_text(self, *, colour: bool = False, columns: int = COLUMNS, brief: bool = False) -> str:
        """Plain text; ``brief``: verdict, coverage and a screen of findings, where the command has that."""
        outline = self.brief if brief and self.brief is not None else self.outline
        return render_text(outline, columns=columns, colour=colour)

    def to_markdown(self) -> str:
        """CommonMark with tables."""
        return render_markdown(self.outline)

    def to_html(self) -> str:
        """One self-contained file."""
        from auditor.report.html import pages  # what draws is loaded where something is drawn

        match self.form:
            case "check":
                return pages.render_check(self.document, self.outline)
            case "plan":
                return pages.render_plan(self.document, self.outline)
            case "compare":
                return pages.render_comparison(self.document, self.outline)
        return pages.render_audit(self.document if self.complete is None else self.complete())

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
    def is_refused(self) -> bool:
        """Nothing could be compared: no pair, or nothing was tried in the second recording."""
        return nothing_judged(self.document) is not None

    @property
    def wishes_lost(self) -> tuple[str, ...]:
        """What must go on and does not."""
        return tuple(one["wish"] for one in self.document["comparison"]["wishes"] if one["state"] == "lost")
