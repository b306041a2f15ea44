"""
What a terminal shows first: order, one screen, widths, nothing that the complete report does not hold.

Size of a screen: 24 lines of 80 columns, the default terminal of common practice (terminfo's ``lines#24``,
``cols#80`` for most descriptions; from memory).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

import auditor
from auditor.inventory.model import CouldNotSee
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.brief import ALL_OPTION, findings_screen, tell_brief
from auditor.report.document import NOTHING_JUDGED, build_document
from auditor.report.story import tell_audit
from auditor.report.text import render_text
from auditor.ruleset.finding import Severity
from auditor.ruleset.loader import load_rules
from tests.unit.report import fabricated

ROOT = Path(__file__).resolve().parents[3]
CAPTURES = sorted((ROOT / "captures").glob("*.pcapng"))
SCREEN_LINES, SCREEN_COLUMNS = 24, 80
TITLES = {rule.rule_id: rule.title for rule in load_rules([])}
EVIL = "\x1b[2J\u202e<script>|=cmd()\n# x" + "\u200b" * 3


def document(*findings: Any, inventory: Any = None, **own: Any) -> dict[str, Any]:
    inventory = inventory or fabricated.inventory()
    judgement = fabricated.judgement(findings=findings)
    built = build_document(inventory, judgement, tool_version="0.1.0", **own)
    return redact(built, inventory, key=derive_key(None, ["ab"]))


def many(count: int, **changes: Any) -> list[Any]:
    """Findings that are not alike: each has a rule of its own."""
    return [
        fabricated.finding(finding_id=f"{n:016x}", rule_id=f"rule-of-a-household-{n}", **changes)
        for n in range(count)
    ]


def screen_of(text: str) -> list[str]:
    lines = text.partition("\nIsolation\n")[0].splitlines()
    return lines[next(n for n, line in enumerate(lines) if line.startswith("Findings (")) :]


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.stem)
def test_every_shipped_recording_has_its_findings_on_one_screen(capture: Path) -> None:
    report = auditor.audit(capture)
    text = report.to_text(brief=True)
    assert len(screen_of(text)) <= SCREEN_LINES
    assert max(map(cell_len, text.splitlines())) <= SCREEN_COLUMNS
    assert text.isascii()
    titles = [
        "\nVerdict\n",
        "\nWhat this recording could show\n",
        f"\nFindings ({len(report.document['findings'])})\n",
    ]
    places = [text.index(title) for title in titles]
    assert places == sorted(places)
    findings, _, isolation = text.partition("\nIsolation\n")
    assert findings.rstrip().endswith(ALL_OPTION)
    assert bool(isolation) == ("\nIsolation\n" in report.to_text())  # two lines, where a plan is possible


@pytest.mark.parametrize("columns", [40, 60, 80, 100])
@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.stem)
def test_no_line_is_wider_than_the_terminal(capture: Path, columns: int) -> None:
    report = auditor.audit(capture)
    for brief in (True, False):
        lines = report.to_text(brief=brief, columns=columns).splitlines()
        assert max(map(cell_len, lines)) <= columns


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda path: path.stem)
def test_a_narrow_terminal_breaks_no_rule_id(capture: Path) -> None:
    report = auditor.audit(capture)
    words = set(report.to_text(columns=40).split())
    assert {one["rule_id"] for one in report.document["findings"]} <= words


@pytest.mark.parametrize("columns", [40, 80])
def test_widths_lose_no_word(columns: int) -> None:
    report = auditor.audit(CAPTURES[0])
    wide = flat(report.to_text(columns=10_000, brief=True))
    words = set("".join(character if character.isalnum() else " " for character in wide).split())
    narrow = "".join(report.to_text(columns=columns, brief=True).split())
    headers = {"Question", "In", "this", "recording"}  # a table that is told row by row has none
    assert [word for word in words - headers if word not in narrow] == []


def test_the_rules_title_stands_above_and_its_id_below() -> None:
    one = fabricated.finding()
    for outline in (tell_brief(document(one), TITLES), tell_audit(document(one), TITLES)):
        lines = render_text(outline).splitlines()
        title = next(n for n, line in enumerate(lines) if TITLES[one.rule_id] in line)
        assert f"{one.severity.word.upper()}:" in lines[title]
        assert any(one.rule_id in line for line in lines[title + 1 :])


@pytest.mark.parametrize("count", [0, 1, 9, 30, 5_000])
def test_what_does_not_fit_is_counted(count: int) -> None:
    shown = document(*many(count))
    text = render_text(findings_screen(shown, {}))
    assert len(text.splitlines()) <= SCREEN_LINES
    named = sum(f"rule-of-a-household-{n}," in text for n in range(count))
    left = count - named
    assert (f"And {left} more: " in text) == bool(left)
    assert named >= min(count, 3)


def test_alike_findings_are_one_entry_with_their_number() -> None:
    alike = [fabricated.finding(finding_id=f"{n:016x}") for n in range(40)]
    text = render_text(findings_screen(document(*alike), TITLES))
    assert "40 of this kind" in flat(text)
    assert "more:" not in text


def test_the_gravest_stand_first_and_the_rest_is_told_by_severity() -> None:
    given_findings = [
        *many(2, severity=Severity.CRITICAL),
        *[
            replace(one, finding_id=f"b{one.finding_id[1:]}", rule_id=f"low-{one.rule_id}")
            for one in many(60, severity=Severity.LOW)
        ],
    ]
    text = flat(render_text(findings_screen(document(*given_findings), {})))
    assert "1. CRITICAL: rule-of-a-household-0" in text
    assert "2. CRITICAL: rule-of-a-household-1" in text
    assert " low. For all of it" in text


@settings(max_examples=40, deadline=None)
@given(st.text(min_size=1, max_size=200), st.integers(1, 12))
def test_no_name_makes_it_longer_than_a_screen(name: str, count: int) -> None:
    light, *others = fabricated.household()
    inventory = fabricated.inventory(devices=(replace(light, nickname=name), *others))
    step = replace(fabricated.finding().remediation[0], do=name)
    shown = document(*many(count, remediation=(step,)), inventory=inventory)
    assert len(render_text(findings_screen(shown, dict.fromkeys(TITLES, name))).splitlines()) <= SCREEN_LINES


def test_hostile_text_acts_nowhere() -> None:
    light, *others = fabricated.household()
    inventory = fabricated.inventory(devices=(replace(light, nickname=EVIL), *others))
    one = fabricated.finding()
    step = replace(one.remediation[0], do=EVIL)
    shown = document(replace(one, remediation=(step,)), inventory=inventory)
    text = render_text(tell_brief(shown, {one.rule_id: EVIL}))
    assert not set(text) & {"\x1b", "\u202e", "\u200b", "\r"}
    assert "\n# x" not in text


def test_a_recording_that_cannot_be_judged_says_what_to_record_next() -> None:
    # Scenario S01
    entry = CouldNotSee(
        question=NOTHING_JUDGED, reason="It was recorded elsewhere.", record_next="Record there."
    )
    text = flat(render_text(tell_brief(document(could_not_see=[entry]), TITLES)))
    assert "WE CANNOT TELL: It was recorded elsewhere." in text
    assert "Record next: Record there." in text


def test_colour_is_only_an_extra() -> None:
    import re

    outline = tell_brief(document(fabricated.finding()), TITLES)
    painted = render_text(outline, colour=True)
    assert "1. \x1b[1;33mMEDIUM:\x1b[0m" in painted
    assert re.sub(r"\x1b\[[0-9;]*m", "", painted) == render_text(outline)
