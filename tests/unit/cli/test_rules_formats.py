"""``rules list`` and ``rules explain`` in every form; oracle: the rule files read by PyYAML alone."""

import json
from pathlib import Path

import pytest
import yaml

from tests.scenarios.support import command

ROOT = Path(__file__).resolve().parents[3]
WRITTEN = {
    rule["id"]: rule
    for path in sorted((ROOT / "rules").glob("*.yaml"))
    for rule in yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)["rules"]
}


def test_json_lists_every_rule_that_is_written():
    done = command("rules", "list", "--format", "json")

    assert done.returncode == 0
    listed = {rule["rule_id"]: rule for rule in json.loads(done.stdout)["rules"]}
    assert set(listed) == set(WRITTEN)
    for rule_id, rule in listed.items():
        assert rule["title"] == WRITTEN[rule_id]["title"]
        assert [step["undo"] for step in rule["remediation"]] == [
            " ".join(step["undo"].split()) for step in WRITTEN[rule_id]["remediation"]
        ]


@pytest.mark.parametrize("form", ["json", "markdown"])
def test_one_rule_is_explained(form):
    done = command("rules", "explain", "light-control-without-login", "--format", form)

    assert done.returncode == 0
    assert WRITTEN["light-control-without-login"]["title"] in done.stdout
    if form == "json":
        assert json.loads(done.stdout)["references"][0]["clause"] == "5.5-4"


def test_markdown_table_has_a_row_for_each_rule():
    done = command("rules", "list", "--format", "markdown")

    assert sum(line.startswith("| ") for line in done.stdout.splitlines()) == len(WRITTEN) + 2
