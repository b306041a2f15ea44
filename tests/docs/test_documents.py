"""The pages say what the program does: bounds, exit statuses, commands, tables."""

import ast
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MODULES = sorted((ROOT / "auditor").rglob("*.py"))


def bounds() -> dict[str, set[str]]:
    """Every name ``MAX_…`` that a module of the package assigns, and where."""
    found: dict[str, set[str]] = {}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            targets = (
                node.targets
                if isinstance(node, ast.Assign)
                else [node.target]
                if isinstance(node, ast.AnnAssign)
                else []
            )
            for target in targets:
                if isinstance(target, ast.Name) and target.id.startswith("MAX_"):
                    found.setdefault(target.id, set()).add(path.relative_to(ROOT / "auditor").as_posix())
    return found


def test_every_bound_is_listed_for_developers():
    rows = set(re.findall(r"^\| `(MAX_[A-Z0-9_]+)` \| `([^`]+)` \|", DEVELOPERS, re.MULTILINE))

    assert rows == {(name, place) for name, places in bounds().items() for place in places}


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
    for command in ("audit", "check", "rules"):
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
