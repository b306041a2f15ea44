"""The command ``plan`` and the plan's place in the document: house sections 8 and 9, JSON Schema 2020-12 (jsonschema)."""

from __future__ import annotations

import json

import jsonschema
import pytest

import auditor
from auditor import pipeline
from auditor.report.schema import load_report_schema
from tests.household.home import HUB, LIGHT, PHONE
from tests.isolation_households import CAPTURES, HOME_FILE
from tests.scenarios.support import command

GOOD = CAPTURES / "good-vantage.pcapng"
WRONG = CAPTURES / "laptop-on-wifi.pcapng"


@pytest.fixture(scope="module")
def report():
    return pipeline.plan(GOOD, home=HOME_FILE)


def test_the_document_keeps_the_schema(report):
    jsonschema.Draft202012Validator(load_report_schema()).validate(report.document)
    plan = report.document["plan"]
    assert plan["alternatives"]
    assert all(set(other) == set(plan) for other in plan["alternatives"])
    assert all(other["alternatives"] == [] for other in plan["alternatives"])
    revealed = pipeline.plan(GOOD, home=HOME_FILE, reveal=True).document
    jsonschema.Draft202012Validator(load_report_schema()).validate(revealed)


def test_other_peoples_devices_are_not_named(report):
    text = json.dumps(report.document["plan"]) + report.to_text() + report.to_markdown()
    for word in (PHONE.link, PHONE.ipv4, HUB.link, HUB.ipv4, "guest phone", "lantern", "news.example"):
        assert word not in text, word
    assert LIGHT.link in text
    assert "192.168.78.21" in text  # planned, and nobody's yet
    revealed = pipeline.plan(GOOD, home=HOME_FILE, reveal=True).to_json()
    assert HUB.ipv4 in revealed


def test_the_rules_hold_addresses_they_need_and_no_secret(report):
    assert set(report.files) == {"steps.md", "rules.nft", "mud.json", "mud-2.json"}
    assert "203.0.113.123" in report.files["rules.nft"]
    for text in report.files.values():
        assert "guest phone" not in text
        assert PHONE.link not in text


def test_same_input_same_octets(report):
    again = pipeline.plan(GOOD, home=HOME_FILE)
    assert again.to_json() == report.to_json()
    assert again.files == report.files


def test_cautions_and_the_verdict_come_first(report):
    text = report.to_text()
    assert text.index("breaks no wish") < text.index("Before you do this") < text.index("Step 1")
    assert "emergency lighting" in text
    assert "Undo" in text


def test_command_writes_its_folder(tmp_path):
    folder = tmp_path / "new" / "plan"
    done = command(
        "plan", GOOD, "--home", HOME_FILE, "--output", folder, "--format", "json", "--alarm-from", "never"
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["plan"]["layout"] == "vlan-hub-moves"
    assert sorted(path.name for path in folder.iterdir()) == [
        "mud-2.json",
        "mud.json",
        "rules.nft",
        "steps.md",
    ]
    assert "wrote" in done.stderr
    (folder / "own.txt").write_text("mine", "utf-8")
    again = command("plan", GOOD, "--home", HOME_FILE, "--output", folder, "--quiet", "--alarm-from", "never")
    assert again.returncode == 0
    assert (folder / "own.txt").read_text("utf-8") == "mine"
    assert again.stderr == ""


def test_findings_alarm_as_everywhere():
    assert command("plan", GOOD, "--home", HOME_FILE, "--quiet").returncode == 1


def test_wrong_place_writes_nothing_and_says_what_to_record(tmp_path):
    folder = tmp_path / "plan"
    done = command("plan", WRONG, "--output", folder)
    assert done.returncode == 3
    assert "No plan" in done.stdout
    assert "Record next" in done.stdout
    assert not folder.exists()
    made = json.loads(command("plan", WRONG, "--format", "json").stdout)
    assert made["plan"] is None
    jsonschema.Draft202012Validator(load_report_schema()).validate(made)


def test_a_folder_that_cannot_be(tmp_path):
    taken = tmp_path / "file"
    taken.write_text("here", "utf-8")
    done = command("plan", GOOD, "--output", taken, "--quiet", "--alarm-from", "never")
    assert done.returncode == 2
    assert taken.read_text("utf-8") == "here"


def test_an_input_is_never_overwritten(tmp_path):
    """A recording called like a file of ours, in the folder that was named."""
    folder = tmp_path / "plan"
    folder.mkdir()
    recording = folder / "rules.nft"
    recording.write_bytes(GOOD.read_bytes())
    done = command("plan", recording, "--output", folder, "--quiet", "--alarm-from", "never")
    assert done.returncode == 2
    assert recording.read_bytes() == GOOD.read_bytes()
    assert [path.name for path in folder.iterdir()] == ["rules.nft"]


@pytest.mark.parametrize("router", ["nothing", "guest", "vlan"])
def test_router_is_obeyed(router):
    done = command("plan", GOOD, "--home", HOME_FILE, "--router", router, "--format", "json", "--quiet")
    plan = json.loads(done.stdout)["plan"]
    order = ["nothing", "guest", "vlan"]
    assert order.index(plan["router"]) <= order.index(router)


def test_a_router_that_is_no_router():
    assert command("plan", GOOD, "--router", "magic").returncode == 2


def test_an_audit_ends_with_two_lines_of_the_plan():
    report = auditor.audit(GOOD, home=HOME_FILE)
    text = report.to_text()
    assert "Isolation\n---------" in text
    assert "breaks no wish" in text
    assert report.document["plan"] is None
    assert "Isolation\n" not in auditor.audit(WRONG).to_text()
