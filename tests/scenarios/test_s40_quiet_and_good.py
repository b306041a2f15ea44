"""
S40: the right place, all actions, nothing to do.

Why: a report that invents findings to look useful is as wrong as one that misses them; a clean bill still says what it could not
see (house contract, section 2).
"""

import re

import pytest

from tests.household.__main__ import CAPTURES
from tests.household.home import LIGHT
from tests.scenarios.support import assert_calm, assert_honest, at_least, command, device, outcomes, run

CAPTURE = CAPTURES / "quiet-and-good.pcapng"
HOME = """\
devices:
  - {link_address: "00:00:5e:00:53:21", role: lighting, nickname: shelf light}
  - {link_address: "00:00:5e:00:53:30", role: hub, nickname: hub}
  - {link_address: "8a:4c:1d:20:71:05", role: phone, nickname: phone}
actions:
  - {at: "2026-03-14T19:00:20Z", what: power-on}
  - {at: "2026-03-14T19:01:30Z", what: app}
  - {at: "2026-03-14T19:03:30Z", what: hub}
"""


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(CAPTURE, tmp_path_factory.mktemp("s40"), home=HOME)


def test_nothing_is_invented(document):
    assert at_least(document, "medium") == []
    assert_calm(document)
    assert_honest(document)


def test_the_place_was_right(document):
    assert document["coverage"]["vantage"] == "on-path"
    assert set(device(document, LIGHT)["abilities"]) >= {
        "unicast-with-device",
        "both-directions",
        "joining-seen",
    }


@pytest.mark.parametrize(
    "rule", ["remote-contact-in-clear-text", "password-in-clear-text", "service-reached-from-internet"]
)
def test_a_negative_is_one_with_its_scope(document, rule):
    assert outcomes(document, rule, LIGHT) == {"not-found"}


def test_what_could_not_be_seen_is_still_said(document):
    assert document["coverage"]["could_not_see"] or any(
        a["outcome"] == "undetermined" for a in document["assessments"]
    )


def test_the_command_says_that_there_is_nothing_to_do(tmp_path):
    home = tmp_path / "home.yaml"
    home.write_text(HOME)

    done = command("audit", CAPTURE, "--home", home)

    told = done.stdout.lower()
    assert done.returncode == 0
    assert "nothing to do" in told
    assert re.search(r"could not (be seen|see|show)", told)
    assert not re.search(r"\b(secure|safe)\b", told)


def test_encrypted_control_was_tried_and_not_read(document):
    assert "local-control-encrypted" in document["coverage"]["phases"]
    assert outcomes(document, "light-control-without-login", LIGHT) == {"undetermined"}
    [entry] = [e for e in document["coverage"]["could_not_see"] if "ask for a login" in e["question"]]
    assert "4 times" in entry["reason"]
