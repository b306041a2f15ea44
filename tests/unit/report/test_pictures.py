"""
Pictures as data: the same octets for the same data, well-formed, and in words what the drawing says.

Well-formedness is judged by expat (XML 1.0); names and descriptions by SVG 2 section 5.7 and
WAI-ARIA 1.2 (``img`` is named by ``aria-labelledby``); type sizes by CSS Values 4 section 6.2.
"""

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

import auditor
from auditor.report.pictures.before_after import draw_before_after
from auditor.report.pictures.contacts import gather_peers
from auditor.report.pictures.contacts_drawing import MAX_PEERS, draw_contacts
from auditor.report.pictures.contacts_text import contacts_rows
from auditor.report.pictures.coverage import SHAPES, draw_coverage
from auditor.report.pictures.day import draw_day
from auditor.report.pictures.drawing import TYPE_SIZE, Drawing
from auditor.report.pictures.measure import break_lines, text_width
from auditor.report.pictures.timeline import draw_timeline
from auditor.report.pictures.wall import draw_exception
from tests.household.pictures import (
    FOLDER,
    GOOD,
    HOME,
    PICTURES,
    WORDS,
    compared,
    draw_all,
    long_moments,
    moments_of,
    own_copy,
    planned,
    report,
)

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("width_mm", [60, 72, 86, 170, 400])
@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_well_formed_named_and_drawn_in_whole_numbers(name, width_mm):
    picture = PICTURES[name](width_mm)
    root = ET.fromstring(picture.svg)
    assert root.attrib["role"] == "img"
    names = [root.find(f".//*[@id='{one}']") for one in root.attrib["aria-labelledby"].split()]
    assert [one.tag for one in names] == [f"{SVG}title", f"{SVG}desc"]
    assert names[0].text == picture.title
    assert names[1].text == picture.description
    kinds = {element.tag.removeprefix(SVG) for element in root.iter()}
    assert kinds <= {"svg", "title", "desc", "rect", "path", "circle", "text"}
    drawn = picture.svg.split("</desc>")[1]
    geometry = re.findall(r' (?:x|y|d|width|height|cx|cy|r)="([^"]*)"', drawn)
    assert geometry
    assert not [value for value in geometry if "." in value or "e" in value]
    assert float(root.attrib["font-size"]) / 10 / 25.4 * 72 >= 11
    assert "http" not in drawn
    assert PICTURES[name](width_mm) == picture


def test_the_arrow_begins_at_the_opener():
    """The light polls the hub; the phone calls the light (``captures/README.md``)."""
    peers = {peer.name: peer for peer in gather_peers(report().document, WORDS)}
    polled = peers["hub"].arrows[0]
    assert (polled.opener, polled.period_seconds, polled.weight) == ("device", 1.0, 3)
    assert [arrow.opener for arrow in peers["phone"].arrows] == ["peer"]
    assert peers["cloud.shelf-light.example"].arrows[0].readability == "encrypted"
    assert peers["hub"].arrows[0].readability == "readable"


def test_a_call_from_outside_is_never_folded_away():
    document = own_copy(report("everything-speaks").document)
    called = [row for row in document["remote_contacts"] if row["initiator"] == "remote"]
    assert len(called) == 1
    called[0]["name"] = "caller.example"
    outside = [peer for peer in gather_peers(document, WORDS) if peer.zone == "outside"]
    assert len(outside) > MAX_PEERS
    assert outside[0].name == "caller.example"
    assert "caller.example calls it" in draw_contacts(document, WORDS, width_mm=72).description


def test_attempts_without_an_answer_carry_a_bar_and_show_data_do_not():
    document = own_copy(report("everything-speaks").document)
    shows = [row for row in document["local_contacts"] if row["application_protocol"] == "artnet"]
    assert shows[0]["outcomes"] == {"unanswered": 1}
    assert not any(
        arrow.stopped
        for peer in gather_peers(document, WORDS)
        for arrow in peer.arrows
        if peer.zone == "home"
    )
    document["remote_contacts"][4] |= {"outcomes": {"refused": 3}, "flows": 3}
    name = document["remote_contacts"][4]["name"]
    stopped = [peer for peer in gather_peers(document, WORDS) if peer.name == name]
    assert stopped[0].arrows[0].stopped
    document["remote_contacts"] = document["remote_contacts"][4:5]
    assert "tried 3 times, stopped" in draw_contacts(document, WORDS).description


def test_a_recording_that_could_not_show_contacts_does_not_draw_none():
    picture = draw_contacts(report("laptop-on-wifi").document, WORDS, width_mm=86)
    assert "this recording could not show it" in picture.description
    assert "no contact seen" not in picture.description


def test_every_answer_of_the_grid_has_a_shape_and_words():
    for answer in SHAPES:
        assert WORDS.say(f"grid.answer.{answer}")
    assert set(SHAPES.values()) == {"disc", "half", "ring", "triangle", "crossed"}
    told = draw_coverage(report("laptop-on-wifi").document, WORDS).description
    assert "Its talk with single devices: could not be seen" in told


def test_the_wall_has_the_doors_of_the_plan():
    picture = draw_exception(planned(), WORDS, width_mm=86)
    assert "our home may call shelf light, port 80" in picture.description
    assert "shelf light may call time.pool.example, port 123" in picture.description
    assert draw_exception(report().document, WORDS) is None  # an audit's document holds no plan


def test_families_stand_in_rows_of_their_own():
    """The second recording reaches the file server by IPv6 alone (``captures/README.md``)."""
    told = draw_before_after(compared(), WORDS, width_mm=86).description
    assert re.search(r"IPv6, port 445, begun by this device: Before not seen, After works, new", told)
    assert re.search(r"IPv4, port 445, begun by this device: Before not seen, After tried, stopped", told)


def test_the_comb_of_polling_is_in_the_timeline():
    """60 polls, one a second, from the minute in which the light mirrors (``captures/README.md``)."""
    hub = next(lane for lane in moments_of()["lanes"] if (lane["peer_id"] or "").startswith("broker"))
    seconds = [place * moments_of()["seconds"] / 1_440 for place in hub["by_device"]]
    polls = [moment for moment in seconds if 239 <= moment <= 301]
    steps = [after - before for before, after in pairwise(polls)]
    assert len(polls) == 60
    assert all(0.5 < step < 1.5 for step in steps)
    assert "hub, every 1 s" in draw_timeline(report().document, moments_of(), WORDS, width_mm=170).svg


def test_a_hole_is_hatched_and_said():
    for draw in (draw_timeline, draw_day):
        assert "Hatched: not recorded" in draw(report().document, long_moments(), WORDS).description
    assert "Hatched" not in PICTURES["timeline"](86).description
    assert draw_day(report().document, moments_of(), WORDS) is None  # ten minutes are no day


def test_times_pass_the_gate():
    """What the redaction hides elsewhere is hidden in the moments too (scenario S39)."""
    revealed = auditor.audit([GOOD], home=HOME, reveal=True)
    hidden = {device["device_id"] for device in revealed.document["devices"] if not device["is_chosen"]}
    peers = {lane["peer_id"] for lane in revealed.complete()["moments"]["lanes"]} & hidden
    assert peers
    assert not peers & {lane["peer_id"] for lane in moments_of()["lanes"]}
    assert "moments" not in report().document


def test_the_terminal_draws_the_same_in_ascii():
    rows = contacts_rows(report().document, WORDS)
    assert ("Our home", "it ====>", "hub: every 1 s, readable on the way") in rows
    assert ("Our home", "it <====", "phone: 4 times, readable on the way") in rows
    assert ("Outside", "it - - >", "cloud.shelf-light.example: once, encrypted") in rows
    assert {row[2].partition(":")[0] for row in rows} == {
        peer.name for peer in gather_peers(report().document, WORDS)
    }
    text = report().to_text()
    assert text[text.index("Who talks to whom") : text.index("Judged devices")].isascii()


def test_no_address_stands_in_a_picture():
    """Roles and names only (needs section 7)."""
    for name, draw in PICTURES.items():
        assert not re.search(r"\b\d{1,3}(\.\d{1,3}){3}\b|[0-9a-f]{2}(:[0-9a-f]{2}){5}", draw(86).svg), name


@given(st.text(max_size=220), st.integers(60, 900), st.integers(1, 4))
def test_lines_are_never_wider_than_their_column(text, width, most):
    lines = break_lines(text, width, TYPE_SIZE, most)
    assert 1 <= len(lines) <= most
    assert all(text_width(line, TYPE_SIZE) <= width for line in lines)


@given(st.text(max_size=120))
def test_any_name_keeps_a_picture_well_formed(name):
    drawing = Drawing("any", 72)
    drawing.text(0, 40, name, width=700)
    root = ET.fromstring(drawing.finish(100, title=name, description=name).svg)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {"svg", "title", "desc", "text"}


def test_a_width_that_holds_no_two_columns_is_refused():
    for width_mm in (59, 401):
        with pytest.raises(ValueError, match="mm wide"):
            Drawing("any", width_mm)


def test_the_pictures_of_the_readme_are_the_ones_drawn_now():
    """``python -m tests.household.pictures`` writes them."""
    for name, svg in draw_all().items():
        assert (FOLDER / name).read_text(encoding="utf-8") == svg
