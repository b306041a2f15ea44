"""
The printed report: columns, words, honesty.

Oracle for columns: rich.cells (a general-purpose terminal library's table of character widths).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from auditor.inventory.model import CouldNotSee
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.document import NOTHING_JUDGED, build_document
from auditor.report.markdown import render_markdown
from auditor.report.outline import Fields, Heading, Items, Paragraph, Table
from auditor.report.story import MAX_SHOWN_FINDINGS, tell_audit, tell_check
from auditor.report.text import render_text, wrap
from auditor.report.verdict import Urgency, reach_verdict
from auditor.ruleset.finding import Severity
from tests.unit.report import fabricated

NOT_JUDGED = CouldNotSee(
    question=NOTHING_JUDGED, reason="It was recorded elsewhere.", record_next="Record there."
)


def shown(
    inventory: Any = None, judgement: Any = None, *, reveal: bool = False, **own: Any
) -> dict[str, Any]:
    inventory = inventory or fabricated.inventory()
    judgement = judgement or fabricated.judgement()
    built = build_document(inventory, judgement, tool_version="0.1.0", **own)
    return redact(built, inventory, key=derive_key(None, ["ab"]), reveal=reveal)


def flat(text: str) -> str:
    return " ".join(text.split())


def quiet(**changes: Any) -> Any:
    """A judgement without findings."""
    given_changes = {"findings": (), "accepted": (), "assessments": fabricated.assessments()[1:], **changes}
    return fabricated.judgement(**given_changes)


def test_eighty_columns_of_ascii() -> None:
    text = render_text(tell_audit(shown()))
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 80


@given(st.text(st.characters(exclude_categories=["Cs", "Cn", "Co"]), max_size=120))
def test_no_name_makes_a_line_too_wide(name: str) -> None:
    blocks = [
        Heading(2, name),
        Paragraph(name),
        Items((name,)),
        Fields((("Label", name),)),
        Table(("a", "b"), (("cell", name),)),
    ]
    text = render_text(blocks)
    assert "\x1b" not in text
    wide = [line for line in text.splitlines() if cell_len(line) > 80]
    # The two tables of widths are of different Unicode editions: ours may count narrower where a character changed.
    assert all(cell_len(line) <= 82 for line in wide)


@given(st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), max_size=200), st.integers(20, 80))
def test_wrapping_loses_nothing(text: str, columns: int) -> None:
    lines = wrap(text, columns)
    assert all(len(line) <= columns for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_colour_is_only_an_extra() -> None:
    outline = tell_audit(shown())
    painted = render_text(outline, colour=True)
    assert "\x1b[1;33mMEDIUM:\x1b[0m" in painted
    import re

    assert re.sub(r"\x1b\[[0-9;]*m", "", painted) == render_text(outline)


def test_the_order_is_verdict_coverage_devices_findings() -> None:
    text = render_text(tell_audit(shown()))
    titles = [
        "Verdict\n",
        "What this recording could show\n",
        "Judged devices\n",
        "Findings (1)\n",
        "Open questions (1)",
    ]
    titles += ["What could not be seen, and what to record next\n", "Next check\n", "Cautions\n"]
    places = [text.index(title) for title in titles]
    assert places == sorted(places)


def test_a_finding_says_all_eight_things() -> None:
    # needs section 6, C12: seen, where, why here, how sure, what to do, what stops, test, undo
    text = flat(render_text(tell_audit(shown())))
    for words in (
        "changed the light by http without a login",
        "packet 91 of home.pcapng at 2026-03-01 18:00:03.000 UTC",
        "Whoever shares the network",
        "seen in the recording itself",
        "Set a password",
        "Apps that do not know the password",
        "Record again and switch",
        "Clear the password",
    ):
        assert words in text


def test_text_and_markdown_tell_the_same() -> None:
    outline = tell_audit(shown())
    for block in outline:
        if isinstance(block, Paragraph) and block.text.isascii():
            assert flat(block.text) in flat(render_text(outline))
    assert render_markdown(outline).count("### ") == sum(
        isinstance(b, Heading) and b.level == 3 for b in outline
    )


@pytest.mark.parametrize(
    ("severity", "urgency"),
    [
        (Severity.CRITICAL, Urgency.NOW),
        (Severity.HIGH, Urgency.NOW),
        (Severity.MEDIUM, Urgency.CONVENIENT),
        (Severity.LOW, Urgency.NOTHING),
        (Severity.INFO, Urgency.NOTHING),
    ],
)
def test_the_verdict_follows_the_gravest_finding(severity: Severity, urgency: Urgency) -> None:
    one = fabricated.finding(severity=severity)
    assert reach_verdict(shown(judgement=fabricated.judgement(findings=(one,)))).urgency is urgency


def test_open_questions_never_read_as_a_clean_bill() -> None:
    # House section 2; scenario S40
    text = flat(render_text(tell_audit(shown(judgement=quiet()))))
    assert "NOTHING TO DO NOW: We saw nothing that asks for action." in text
    assert "1 of 2 questions stay open" in text
    assert "They do not count as good" in text
    assert "not later than 2026-05-30" in text
    for word in ("safe", "secure", "hacked", "spying"):
        assert word not in text.lower().split()


def test_only_open_questions_means_we_cannot_tell() -> None:
    undetermined = fabricated.assessments()[2:3]
    verdict = reach_verdict(shown(judgement=quiet(assessments=undetermined)))
    assert verdict.urgency is Urgency.CANNOT_TELL


def test_a_recording_that_cannot_be_judged_says_so_first() -> None:
    # Scenario S01
    document = shown(judgement=quiet(), could_not_see=[NOT_JUDGED])
    text = flat(render_text(tell_audit(document)))
    assert "WE CANNOT TELL: It was recorded elsewhere." in text
    assert "Record next: Record there." in text
    checked = flat(render_text(tell_check(document)))
    assert "Not usable to judge a lighting device: It was recorded elsewhere." in checked
    assert "The one thing to do next time: Record there." in checked


def test_a_finding_in_a_recording_that_cannot_be_judged_keeps_both() -> None:
    verdict = reach_verdict(shown(could_not_see=[NOT_JUDGED]))
    assert verdict.urgency is Urgency.CONVENIENT
    assert any("we cannot tell" in limit for limit in verdict.limits)


def test_a_blocked_attempt_is_no_talk() -> None:
    # Scenario S34
    contact = fabricated.remote_contact(
        outcomes={"unanswered": 3}, received_octets=0, confidentiality="unknown"
    )
    text = flat(render_text(tell_audit(shown(fabricated.inventory(facts=fabricated.facts(contact))))))
    assert "shelf light tried to contact cloud.example" in text
    assert "not answered 3" in text


def test_an_announcement_is_no_open_port() -> None:
    # Scenario S25
    one = fabricated.service(state="announced", confidentiality="unknown", reached_from=())
    text = flat(render_text(tell_audit(shown(fabricated.inventory(facts=fabricated.facts(one))))))
    assert "announced; nobody contacted it in this recording" in text


def test_what_could_not_be_seen_is_not_called_unseen() -> None:
    coverage = fabricated.coverage(vantage="own-host", abilities=("multicast-visible",), phases=())
    text = render_text(tell_audit(shown(fabricated.inventory(coverage=coverage, facts=fabricated.facts()))))
    line = next(line for line in text.splitlines() if "Contacts outside" in line)
    assert line.split("  ")[-1] == "could not be seen"


def test_revealing_is_marked() -> None:
    text = render_text(tell_audit(shown(reveal=True)))
    assert "contains private data" in text
    assert "Wilhelmina" in text


def test_five_thousand_findings_stay_readable() -> None:
    many = tuple(fabricated.finding(finding_id=f"{number:016x}") for number in range(5_000))
    document = shown(judgement=fabricated.judgement(findings=many))
    text = render_text(tell_audit(document))
    assert len(document["findings"]) == 5_000
    assert f"And {5_000 - MAX_SHOWN_FINDINGS} more" in text
    assert len(text) < 300_000


def test_hostile_names_act_nowhere() -> None:
    evil = "\x1b[2J\u202e<script>|=cmd()\n# x" + "\u200b" * 3
    device = replace(fabricated.household()[0], nickname=evil, hostnames=(evil,), vendor=evil)
    contact = fabricated.remote_contact(name=evil)
    one = fabricated.control(operation=evil)
    inventory = fabricated.inventory(devices=(device,), facts=fabricated.facts(contact, one))
    outline = tell_audit(shown(inventory, fabricated.judgement(findings=(fabricated.finding(summary=evil),))))
    for text in (render_text(outline), render_markdown(outline)):
        assert not set(text) & {"\x1b", "\u202e", "\u200b", "\r"}
    assert "<script>" not in render_markdown(outline).replace("\\<script\\>", "")
    assert "\n# x" not in render_text(outline)
