"""
The command line with a pipeline that answers from a fabricated household, so that only the shell is tested.

Run as a program (``python stand_in.py NAME ARGUMENTS…``) it is the same in a
process of its own, for what only a process has: encodings, pipes, signals.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from types import ModuleType
from typing import Any

from auditor.cli.main import main
from auditor.errors import (
    CaptureFormatError,
    HomeError,
    JudgementError,
    OutputError,
    RuleError,
)
from auditor.inventory.model import CouldNotSee
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.brief import tell_brief
from auditor.report.document import NOTHING_JUDGED, build_document
from auditor.report.json import render_json
from auditor.report.markdown import render_markdown
from auditor.report.story import tell_audit, tell_check
from auditor.report.text import render_text
from auditor.report.verdict import findings_from
from auditor.ruleset.finding import Severity
from tests.unit.report import fabricated


class Report:
    """As ``auditor.pipeline.AuditReport``, from fabricated parts."""

    def __init__(self, *, severity: Severity | None, not_judged: str | None, reveal: bool, tell: Any) -> None:
        one = () if severity is None else (fabricated.finding(severity=severity),)
        light, *others = fabricated.household()
        light = replace(light, nickname="寝室 → \x1b[2J")
        inventory = fabricated.inventory(devices=(light, *others))
        own = []
        if not_judged:
            own.append(
                CouldNotSee(question=NOTHING_JUDGED, reason=not_judged, record_next="Record on the path.")
            )
        built = build_document(
            inventory, fabricated.judgement(findings=one), tool_version="0.1.0", could_not_see=own
        )
        self.document = redact(built, inventory, key=derive_key(None, []), reveal=reveal)
        self.outline = tell(self.document)
        self.not_judged = not_judged

    def to_json(self) -> str:
        return render_json(self.document)

    def to_text(self, *, colour: bool = False, columns: int = 80, brief: bool = False) -> str:
        outline = tell_brief(self.document, {}) if brief else self.outline
        return render_text(outline, columns=columns, colour=colour)

    def to_markdown(self) -> str:
        return render_markdown(self.outline)

    def findings_from(self, severity: str) -> list[dict[str, Any]]:
        return findings_from(self.document, severity)


ERRORS: dict[str, BaseException] = {
    "home-error": HomeError("home.yaml:3:1", "expected a role, found 'lamp'"),
    "rule-errors": RuleError(
        "mine.yaml:2:3", "expected a key, found none\nmine.yaml:9:1: expected a list, found text"
    ),
    "no-capture": CaptureFormatError("x.pcap", "expected a capture, found text"),
    "nothing-there": JudgementError("no lighting device was found"),
    "disk-full": OutputError("out.txt: no space left on device"),
    "our-fault": ZeroDivisionError("wilhelminas-phone 06:11:22:33:44:55"),
    "interrupted": KeyboardInterrupt(),
}
"""Answers that are errors, by the name of the recording asked for."""

REPORTS: dict[str, tuple[Severity | None, str | None]] = {
    "quiet": (None, None),
    "low": (Severity.LOW, None),
    "medium": (Severity.MEDIUM, None),
    "critical": (Severity.CRITICAL, None),
    "elsewhere": (None, "it was recorded elsewhere"),
    "elsewhere-and-medium": (Severity.MEDIUM, "it was recorded elsewhere"),
}


def _answer(tell: Any) -> Any:
    def run(paths: list[str], *, reveal: bool = False, **options: Any) -> Report:
        name = paths[0].rsplit("/", 1)[-1].removesuffix(".pcap")
        if name in ERRORS:
            raise ERRORS[name]
        severity, not_judged = REPORTS[name]
        return Report(severity=severity, not_judged=not_judged, reveal=reveal, tell=tell)

    return run


def pipeline() -> ModuleType:
    module = ModuleType("auditor.pipeline")
    module.audit = _answer(tell_audit)  # type: ignore[attr-defined]
    module.check = _answer(tell_check)  # type: ignore[attr-defined]
    return module


def install() -> None:
    import auditor

    stand_in = pipeline()
    sys.modules["auditor.pipeline"] = stand_in
    auditor.pipeline = stand_in  # type: ignore[attr-defined]


if __name__ == "__main__":
    install()
    sys.exit(main(sys.argv[1:]))
