"""``auditor recipe`` as its user runs it: options, a pipe, and a person at a terminal."""

import json
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest

from auditor.cli import ask
from auditor.home.loader import load_home

ROOT = Path(__file__).parents[3]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "PYTHONDONTWRITEBYTECODE": "1"}
MAX_SECONDS = 60  # a start takes a third of one; a slow machine is no failure


def recipe(*arguments, cwd=ROOT):
    command = [sys.executable, "-m", "auditor", "recipe", *arguments]
    return subprocess.run(
        command, capture_output=True, text=True, env=ENVIRONMENT, cwd=cwd, stdin=subprocess.DEVNULL
    )


def at_a_terminal(answers, *arguments, cwd):
    """Answer each question when it is asked; gives status, what stood on the terminal, and standard output."""
    parent, child = pty.openpty()
    command = [sys.executable, "-m", "auditor", "recipe", *arguments]
    process = subprocess.Popen(
        command, stdin=child, stderr=child, stdout=subprocess.PIPE, env=ENVIRONMENT, cwd=cwd
    )
    os.close(child)
    seen, waiting = "", list(answers)
    end = time.monotonic() + MAX_SECONDS
    while process.poll() is None and time.monotonic() < end:
        try:
            seen += os.read(parent, 4096).decode()
        except OSError:  # the other end closed the terminal
            break
        if waiting and seen.rstrip().endswith("]"):
            os.write(parent, (waiting.pop(0) + "\n").encode())
            time.sleep(0.1)
    output = process.stdout.read().decode()
    os.close(parent)
    return process.wait(MAX_SECONDS), seen, output


def test_a_stranger_at_a_terminal_is_asked_and_gets_a_card_and_a_home_file(tmp_path):
    answers = ["router hotspot", "wifi", "phone-control light-follows-hub", "guest"]
    status, talk, card = at_a_terminal(answers, "--save", "home.yaml", cwd=tmp_path)
    assert status == 0
    assert talk.count("?") >= 4
    assert "Taken for granted" not in card
    home = load_home(tmp_path / "home.yaml")
    assert home.router == "guest"
    assert [keep.wish for keep in home.keep] == ["phone-control", "light-follows-hub"]


def test_without_a_terminal_nothing_is_asked_and_what_is_assumed_is_said():
    done = recipe()
    assert done.returncode == 0
    assert "Taken for granted" in done.stdout
    assert done.stderr == ""


def test_where_nothing_better_is_at_hand_the_status_says_so():
    done = recipe("--place", "own-host", "--format", "json")
    assert done.returncode == 3
    assert json.loads(done.stdout)["can_judge"] is False


def test_a_home_file_that_is_there_keeps_its_lines(tmp_path):
    home = tmp_path / "home.yaml"
    home.write_text("# ours\nkeep: [voice]  # she likes it\n")
    done = recipe(
        "--place", "router", "--save", str(home), "--keep", "voice", "--keep", "time", "--router", "vlan"
    )
    assert done.returncode == 0
    assert home.read_text() == "# ours\nkeep: [voice, time]  # she likes it\nrouter: vlan\n"


def test_the_light_of_the_home_file_is_the_one_to_record(tmp_path):
    home = tmp_path / "home.yaml"
    home.write_text('devices: [{link_address: "02:00:5e:10:00:21", role: lighting, nickname: shelf}]\n')
    data = json.loads(recipe("--place", "router", "--home", str(home), "--format", "json").stdout)
    assert data["light"] == "02:00:5e:10:00:21"
    assert "--device 02:00:5e:10:00:21" in data["commands"]["ours"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--keep", "voic"], "nearest is 'voice'"),
        (["--minutes", "0"], "--minutes"),
        (["--universes", "64000"], "--universes"),
        (["--device", "ff:ff:ff:ff:ff:ff"], "one device"),
        (["--report", "pyproject.toml"], "--report"),
        (["--place", "moon"], "moon"),
        (["--format", "html"], "html"),  # no page is made of a card, and text would not be what was asked for
    ],
)
def test_wrong_usage_is_told_in_one_line(arguments, words):
    done = recipe(*arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""


def test_every_command_that_is_printed_has_the_options_that_it_names():
    from tests.unit.cli.commands import options_of

    data = json.loads(recipe("--place", "router", "--place", "mirror", "--format", "json").stdout)
    for line in (data["commands"]["ours"], *data["commands"]["afterwards"].split("&&")):
        _, command, *words = line.replace("sudo ", "").split()
        assert {word for word in words if word.startswith("--")} <= options_of(command)


def test_answers_that_are_none_are_asked_again_and_then_the_usual_is_taken(capsys):
    given = iter(["moon", "g", "", "x", "x", "x"])
    assert ask.choose("?", ("nothing", "guest"), "nothing", lambda _: next(given)) == "guest"
    assert ask.choose("?", ("nothing", "guest"), "nothing", lambda _: next(given)) == "nothing"
    assert ask.choose("?", ("nothing", "guest"), "nothing", lambda _: next(given)) == "nothing"
    assert "taken: nothing" in capsys.readouterr().err
