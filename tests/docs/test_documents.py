"""The pages say what the program does: bounds, exit statuses, commands, tables."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.docs.generated import BLOCKS, block, bounds

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MODULES = sorted((ROOT / "auditor").rglob("*.py"))


@pytest.mark.parametrize(
    ("path", "name"),
    [(path, name) for path, blocks in BLOCKS.items() for name in blocks],
    ids=lambda value: getattr(value, "name", value),
)
def test_page_shows_what_the_program_prints(path, name):
    """``python -m tests.docs.generated`` renews what fails here."""
    assert block(path.read_text(encoding="utf-8"), name) == BLOCKS[path][name]()


def test_every_bound_has_a_reason():
    without = [f"{module}: {name}" for name, module, _, why in bounds() if not why]

    assert without == []


def test_readme_opens_with_the_job_in_one_paragraph():
    lines = README.splitlines()

    assert lines[0].startswith("# ")
    paragraph = README.split("\n\n")[1]
    assert paragraph.startswith("This program answers")
    assert "```" not in paragraph


def test_readme_gives_exactly_two_set_up_commands():
    assert re.findall(r"<!-- (main-job|tests) -->", README) == ["main-job", "tests"]
    assert README.count("python3 -m venv") == 2


def test_every_command_is_described():
    from typer.main import get_command

    from auditor.cli.main import app

    commands = sorted(get_command(app).commands)
    assert {"audit", "check", "compare", "plan", "rules"} <= set(commands)
    for command in commands:
        shown = subprocess.run(
            [sys.executable, "-m", "auditor", command, "--help"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        assert command in shown
        assert f"`auditor {command}" in README


def test_exit_statuses_are_those_of_the_program():
    from auditor.cli.exit import ExitStatus

    rows = {int(number): text for number, text in re.findall(r"^\| (\d+) \| (.+?) \|$", README, re.MULTILINE)}
    assert set(rows) == {int(status) for status in ExitStatus}


def test_no_module_passes_the_ceiling():
    long = {path.name: count for path in MODULES if (count := len(path.read_text().splitlines())) > 400}

    assert long == {}


def test_home_file_on_the_page_can_be_used(tmp_path):
    from auditor.home.loader import load_home

    example = re.search(r"```yaml\n(.*?)```", README, re.DOTALL).group(1)
    path = tmp_path / "home.yaml"
    path.write_text(example, encoding="utf-8")

    home = load_home(path)
    assert [device.nickname for device in home.devices] == ["shelf light", "hub"]
    assert len(home.actions) == len(home.accepted) == 1
    assert len(home.keep) == 2


def test_library_example_on_the_page_runs():
    example = re.search(r"```python\n(.*?)```", README, re.DOTALL).group(1)
    done = subprocess.run(
        [sys.executable, "-c", example], cwd=ROOT, capture_output=True, text=True, check=True
    )

    assert "light-control-without-login" in done.stdout
