"""One page for each command, in the order in which somebody checks a claim."""

from __future__ import annotations

from typing import Any

from auditor.redaction.documents import ShownDocument, require_shown
from auditor.report import story
from auditor.report.catalogue import load_catalogue
from auditor.report.grid import coverage_grid
from auditor.report.html import findings, traffic_tables
from auditor.report.html.blocks import render_blocks, split_sections, without_title
from auditor.report.html.element import Child, Html, join, tag
from auditor.report.html.figures import figure
from auditor.report.html.page import Section, fold, page, table
from auditor.report.outline import Outline, Table
from auditor.report.pictures.air import draw_air
from auditor.report.pictures.before_after import draw_before_after
from auditor.report.pictures.contacts_drawing import draw_contacts
from auditor.report.pictures.coverage import draw_coverage
from auditor.report.pictures.day import draw_day
from auditor.report.pictures.timeline import draw_timeline
from auditor.report.pictures.wall import draw_exception
from auditor.report.plan import tell_plan

Document = dict[str, Any]


def render_audit(document: ShownDocument) -> str:
    """The long report; with the plan and the times of the pictures where the document holds them."""
    require_shown(document)
    sections = [
        Section("coverage", "What this recording could show", _coverage(document)),
        Section("picture", "Who talks to whom", _contacts_picture(document)),
        *_times(document, document.get("moments")),
        Section("devices", "Devices", traffic_tables.devices(document)),
        Section("services", "Services", traffic_tables.services(document)),
        Section("contacts", "Contacts", traffic_tables.contacts(document)),
        Section("controls", "Control", traffic_tables.controls(document)),
        Section("findings", f"Findings ({len(document['findings'])})", findings.findings(document)),
    ]
    accepted = story.accepted_section(document)
    if accepted:
        sections.append(Section("accepted", f"Accepted ({len(document['accepted'])})", _blocks(accepted)))
    if document["plan"] is not None:
        sections.append(Section("plan", "Plan, tried on this recording", _plan(document)))
    sections += [
        Section("packets", "Packets", findings.packets(document)),
        Section("limits", "Method and limits", _limits(document)),
        Section("cautions", "Cautions", _blocks(story.cautions_section())),
    ]
    return _page("Lighting network report", document, sections, lead=_verdict(document))


def render_check(document: ShownDocument, outline: Outline) -> str:
    """What the recording is good for."""
    require_shown(document)
    lead, sections = split_sections(outline)
    picture = Section("coverage", "What this recording could show, as a picture", _coverage_picture(document))
    return _page("What this recording can tell", document, [picture, *sections], lead=lead)


def render_plan(document: ShownDocument, outline: Outline) -> str:
    """The plan with its wall."""
    require_shown(document)
    lead, sections = split_sections(outline)
    wall = _wall(document)
    if wall is not None:
        sections.insert(0, Section("wall", "The wall", wall))
    return _page("Isolation plan", document, sections, lead=lead)


def render_comparison(document: ShownDocument, outline: Outline) -> str:
    """Before and after."""
    require_shown(document)
    lead, sections = split_sections(outline)
    words = load_catalogue()
    drawn = figure(lambda width: draw_before_after(document, words, width_mm=width))
    if drawn is not None:
        sections.insert(0, Section("picture", "Before and after, as a picture", drawn))
    return _page("Before and after", document, sections, lead=lead)


def _page(title: str, document: Document, sections: list[Section], *, lead: Child) -> str:
    tool = f"Lighting network auditor {document['tool_version']}"
    private = document["redaction"]["revealed"]
    return str(page(title, sections, lead=lead, private=private, tool=tool))


def _verdict(document: Document) -> Html:
    blocks = without_title(story.verdict_section(document))
    first, *rest = blocks
    return tag(
        "section",
        tag("h2", "Verdict", id="verdict"),
        tag("div", render_blocks([first]), class_="verdict"),
        render_blocks(rest),
        render_blocks(story.privacy_note(document)),
        aria_labelledby="verdict",
    )


def _coverage(document: Document) -> Html:
    blocks = without_title(story.coverage_section(document))
    rest = [block for block in blocks if not isinstance(block, Table)]
    grid = table(("Question", "In this recording"), coverage_grid(document), caption="The same as a table")
    return join([_coverage_picture(document), fold("As a table", grid), render_blocks(rest)])


def _coverage_picture(document: Document) -> Html:
    words = load_catalogue()
    return join([figure(lambda width: draw_coverage(document, words, width_mm=width))])


def _contacts_picture(document: Document) -> Html:
    words = load_catalogue()
    return join([figure(lambda width: draw_contacts(document, words, width_mm=width))])


def _times(document: Document, moments: Document | None) -> list[Section]:
    """Pictures of time and air, where there is something to draw."""
    if moments is None:
        return []
    words = load_catalogue()
    drawn = [
        figure(lambda width, draw=draw: draw(document, moments, words, width_mm=width))  # type: ignore[misc]
        for draw in (draw_timeline, draw_day, draw_air)
    ]
    return [Section("times", "When, and how much of the air", join(drawn))] if any(drawn) else []


def _wall(document: Document) -> Html | None:
    words = load_catalogue()
    return figure(lambda width: draw_exception(document, words, width_mm=width))


def _plan(document: ShownDocument) -> Html:
    """All of it, its own titles one level lower."""
    return join([_wall(document), render_blocks(tell_plan(document)[1:], deeper=1)])


def _limits(document: Document) -> Html:
    captures = [
        (one["name"], one["sha256"], f"{one['format']}, {', '.join(one['link_types'])}")
        for one in document["captures"]
    ]
    method = (
        "The recording was read offline, packet by packet; rules asked about each judged device. "
        "Each rule has four answers: found, not found (from this place, in these minutes, with these "
        "actions), undetermined (the recording could not have shown it), not applicable. Undetermined never "
        "counts as good."
    )
    return join(
        [
            tag("h3", "Method"),
            tag("p", method),
            table(("File", "SHA-256", "Form"), captures, caption="What was read") if captures else None,
            *_parts("What could not be seen", story.limits_section(document)),
            *_parts("Open questions", story.open_questions_section(document)),
            *_parts("Next check", story.next_check_section(document)),
        ]
    )


def _parts(title: str, blocks: Outline) -> list[Child]:
    return [tag("h3", title), _blocks(blocks)] if blocks else []


def _blocks(blocks: Outline) -> Html:
    return render_blocks(without_title(blocks))
