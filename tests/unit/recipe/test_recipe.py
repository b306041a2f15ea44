"""The recipe as a whole, and the answers to what an earlier report left open."""

import json
import re
import shlex
from pathlib import Path

import pytest

import auditor
from auditor.addresses import parse_link
from auditor.errors import UsageError
from auditor.inventory.abilities import QUESTIONS
from auditor.inventory.timeline import KNOWN_ACTIONS
from auditor.recipe.build import propose_recipe
from auditor.recipe.earlier import read_report
from auditor.recipe.situation import Link, PlaceId, Situation, System
from auditor.recipe.steps import WAITS, list_steps, still_open
from auditor.recipe.tell import build_document, tell_recipe
from auditor.report.markdown import render_markdown
from auditor.report.text import render_text

CAPTURES = Path(__file__).parents[3] / "captures"
EVERYTHING = (
    "phone-control",
    "voice",
    "hub-controls-light",
    "light-follows-hub",
    "light-to-light",
    "show-data",
)


def situation(**changes):
    usual = {
        "places": frozenset({PlaceId.HOTSPOT}),
        "system": System.LINUX,
        "light_link": Link.WIFI,
        "keep": ("phone-control",),
        "minutes": 10,
        "universes": 0,
        "interface": "wlan0",
        "light": parse_link("02:00:5e:10:00:21"),
        "assumed": (),
    }
    return Situation(**{**usual, **changes})


def test_words_of_the_actions_are_those_that_an_audit_knows():
    words = {step.word for step in list_steps(EVERYTHING) if step.word} - {"show"}
    assert words <= set(KNOWN_ACTIONS)


def test_the_list_is_the_ten_minutes_of_a_good_recording():
    """Needs section 2: start, plug in, app, mobile data, hub, voice, mirror, cable out and in, stop."""
    words = [step.word for step in list_steps(EVERYTHING) if step.word]
    assert words == [
        "power-on",
        "app",
        "app-mobile",
        "hub",
        "voice",
        "mirror",
        "show",
        "cable-out",
        "cable-in",
    ]
    minutes = [step.minute for step in list_steps(EVERYTHING)]
    assert minutes == sorted(minutes)
    assert minutes[-1] == 10


def test_nobody_is_told_to_flash_a_light():
    text = render_text(tell_recipe(propose_recipe(situation(keep=EVERYTHING))))
    assert "nothing that flashes" in " ".join(text.split())


@pytest.mark.parametrize(
    ("what", "minutes"),
    [
        ("hosts in announcements", 2),
        ("other announcements", 75),
        ("door kept open in the router", 60),
        ("the clock", 17.07),
    ],
)
def test_waiting_times_are_those_of_the_standards(what, minutes):
    """RFC 6762 section 10 (120 s and 75 min), RFC 6886 section 3.3 (half of 7200 s), RFC 5905 (1024 s)."""
    wait = next(wait for wait in WAITS if what in wait.what)
    assert wait.minutes == pytest.approx(minutes, abs=0.01)


def test_a_longer_recording_leaves_less_open():
    assert len(still_open(24 * 60)) < len(still_open(10)) < len(WAITS)


def test_only_one_host_among_many_cannot_judge():
    recipe = propose_recipe(situation(places=frozenset()))
    assert not recipe.can_judge
    assert "--announcements" in recipe.commands.ours


@pytest.mark.parametrize("system", System)
@pytest.mark.parametrize("place", PlaceId)
def test_commands_can_be_typed(system, place):
    recipe = propose_recipe(situation(system=system, places=frozenset({place})))
    for command in (recipe.commands.ours, recipe.commands.general, recipe.commands.afterwards):
        assert shlex.split(command)
        assert "\n" not in command


@pytest.mark.parametrize("system", System)
@pytest.mark.parametrize("place", PlaceId)
def test_our_commands_are_understood_by_the_program(system, place):
    """Parsed by the program's own command line, as a shell hands the words over, and not run."""
    from typer.main import get_command

    from auditor.cli.main import app

    recipe = propose_recipe(situation(system=system, places=frozenset({place}), interface=None))
    commands = get_command(app).commands
    for line in (recipe.commands.ours, *re.split(r" && |; ", recipe.commands.afterwards)):
        words = shlex.split(line.removeprefix("sudo "))
        context = commands[words[1]].make_context(words[1], words[2:])
        assert context.params.get("minutes", 10) == 10


@pytest.mark.parametrize("system", System)
def test_the_example_at_a_hotspot_is_not_the_cable_to_the_router(system):
    places = {
        place: propose_recipe(situation(system=system, places=frozenset({place}), interface=None))
        for place in (PlaceId.HOTSPOT, PlaceId.MIRROR)
    }
    names = {
        place: shlex.split(recipe.commands.ours.split("record ")[1])[0] for place, recipe in places.items()
    }
    assert names[PlaceId.HOTSPOT] != names[PlaceId.MIRROR]
    assert "not the cable" in places[PlaceId.HOTSPOT].commands.remarks[0]


def test_our_command_keeps_the_ring_that_the_card_promises():
    recipe = propose_recipe(situation())
    words = shlex.split(recipe.commands.ours)
    megabytes, files = (int(words[words.index(option) + 1]) for option in ("--size", "--keep"))
    assert megabytes * files * 1_000_000 == recipe.ring_octets


def test_a_general_recorder_finds_its_folder_and_may_write_there():
    """tcpdump(1): it gives up rights before it opens its files, unless -Z names whose they are."""
    words = shlex.split(propose_recipe(situation()).commands.general)
    assert words[:3] == ["mkdir", "-p", "recording"]
    assert words[words.index("-Z") + 1] == "$(id -un)"


def test_the_commands_name_the_home_file_that_was_named():
    named = propose_recipe(situation(home_file="ours/home.yaml")).commands
    assert named.ours.endswith("--home ours/home.yaml")
    assert named.afterwards.count("--home ours/home.yaml") == 2
    assert not any("--save" in remark for remark in named.remarks)
    assert any("--save home.yaml" in remark for remark in propose_recipe(situation()).commands.remarks)


def test_commands_stand_unbroken_on_the_card():
    recipe = propose_recipe(situation())
    for text in (render_text(tell_recipe(recipe)), render_markdown(tell_recipe(recipe))):
        lines = [line.strip() for line in text.splitlines()]
        for command in (recipe.commands.ours, recipe.commands.general, recipe.commands.afterwards):
            assert command in lines


def test_an_interface_with_a_space_is_one_word_and_none_breaks_out():
    words = shlex.split(propose_recipe(situation(interface="Wi-Fi 2")).commands.ours)
    assert "Wi-Fi 2" in words
    hostile = propose_recipe(situation(interface='x"; rm -r $HOME `id`')).commands.ours
    assert len(shlex.split(hostile)) == len(words)
    assert not re.search(r"[`$]", hostile)


def test_a_wrongly_placed_recording_is_answered_by_a_better_place():
    report = auditor.audit([CAPTURES / "laptop-on-wifi.pcapng"]).document
    recipe = propose_recipe(situation(), report)
    answers = {answer.question: answer for answer in recipe.answers}
    assert "hotspot" in answers[QUESTIONS["unicast-with-device"]].words
    assert "app" in answers[QUESTIONS["control-seen"]].words
    assert answers.keys() == {entry["question"] for entry in report["coverage"]["could_not_see"]}


def test_a_place_that_does_not_show_it_is_not_promised():
    report = {
        "coverage": {
            "could_not_see": [{"question": QUESTIONS["unicast-with-device"], "reason": "", "record_next": ""}]
        }
    }
    (answer,) = propose_recipe(situation(places=frozenset()), report).answers
    assert answer.words.startswith("none of the places at hand")


def test_a_question_that_is_not_known_keeps_the_reports_own_advice():
    report = {
        "coverage": {"could_not_see": [{"question": "New?", "reason": "r", "record_next": "record on"}]}
    }
    (answer,) = propose_recipe(situation(), report).answers
    assert (answer.shown_by, answer.words) == ("other", "record on")


def test_the_data_form_says_the_same():
    recipe = propose_recipe(situation(keep=EVERYTHING, universes=2))
    data = json.loads(json.dumps(build_document(recipe)))
    assert data["octets"]["estimate"] == sum(part["octets"] for part in data["octets"]["parts"])
    assert [action["what"] for action in data["actions"]] == [step.word for step in recipe.steps]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        '{"schema_version": 2}',
        '{"schema_version": 1, "coverage": {"could_not_see": [1]}}',
        "[" * 100_000,
    ],
)
def test_a_file_that_is_no_report_is_a_mistake_of_the_user(tmp_path, text):
    path = tmp_path / "report.json"
    path.write_text(text)
    with pytest.raises(UsageError, match="--report"):
        read_report(path)
