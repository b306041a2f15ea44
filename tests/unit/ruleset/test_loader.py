"""Folders of rule files; where the bundled ones stand is checked in a checkout and in a copy laid out as a wheel."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from auditor.errors import RuleError
from auditor.ruleset import loader
from auditor.ruleset.loader import load_rules
from tests.unit.ruleset.rule_text import rule_text


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "own.yaml").write_text(rule_text(rule_id="own-rule"), encoding="utf-8")
    return tmp_path


def test_bundled_rules_and_a_household_folder(folder):
    rules = load_rules([folder])

    assert "light-control-without-login" in rules
    assert rules.rule("own-rule").family == "own"
    assert not rules.rule("own-rule").is_bundled
    assert rules.rule("light-control-without-login").is_bundled
    assert rules.rule("light-control-without-login").location.startswith(
        "rules/unauthenticated-control.yaml:"
    )
    assert list(rules.ids) == sorted(rules.ids)
    assert len(load_rules([folder], bundled=False)) == 1


def test_a_bundled_rule_cannot_be_redefined(folder):
    (folder / "b.yml").write_text(rule_text(rule_id="service-unused"), encoding="utf-8")

    with pytest.raises(
        RuleError,
        match=r"b\.yml:3:9: expected an id of its own, found 'service-unused', which is a rule of this program",
    ):
        load_rules([folder])


def test_an_id_stands_once_in_all_files(folder):
    (folder / "a.yaml").write_text(rule_text(rule_id="own-rule"), encoding="utf-8")

    with pytest.raises(RuleError, match=r"own\.yaml:3:9: .* which is the rule at .*a\.yaml:3:9"):
        load_rules([folder], bundled=False)


def test_mistakes_of_all_files_are_gathered(folder):
    for name in ("a.yaml", "b.yaml"):
        (folder / name).write_text(rule_text("where: {efect: light}", rule_id=name[0]), encoding="utf-8")

    with pytest.raises(RuleError) as caught:
        load_rules([folder])
    assert len(str(caught.value).splitlines()) == 2
    assert caught.value.location.endswith("a.yaml:12:13")


def test_folders_that_hold_no_rules_are_named(tmp_path, folder):
    empty = tmp_path / "empty"
    empty.mkdir()
    for path, says in (
        (empty, "found 0"),
        (tmp_path / "none", "a folder of rule files"),
        (folder / "own.yaml", "a folder of rule files"),
    ):
        with pytest.raises(RuleError, match=says):
            load_rules([path])


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_named_like_a_rule_file_does_not_hang(folder):
    os.mkfifo(folder / "pipe.yaml")

    with pytest.raises(RuleError, match=r"pipe\.yaml: expected a file"):
        load_rules([folder])


def test_too_many_files_are_refused(folder, monkeypatch):
    monkeypatch.setattr(loader, "MAX_FILES", 3)
    for number in range(4):
        (folder / f"{number}.yaml").write_text(rule_text(rule_id=f"r{number}"), encoding="utf-8")

    with pytest.raises(RuleError, match="expected 1 to 3 files"):
        load_rules([folder])


def test_rules_are_found_where_a_wheel_puts_them(tmp_path):
    root = Path(loader.__file__).resolve().parents[2]
    shutil.copytree(root / "auditor", tmp_path / "auditor", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(root / "rules", tmp_path / "auditor" / "_rules")
    code = "from auditor.ruleset.loader import load_rules; print(len(load_rules()))"
    run = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True,
                         env={**os.environ, "PYTHONPATH": str(tmp_path)})  # fmt: skip

    assert int(run.stdout) == len(load_rules())
