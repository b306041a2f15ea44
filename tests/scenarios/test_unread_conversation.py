"""
A conversation in a protocol that is not read here: silence about it is no answer (house contract, section 2).

It is none of the forty scenarios; every recording holds some.
"""

import pytest

from tests.household.home import HUB, LIGHT
from tests.scenarios.support import assert_honest, device_id, on_the_path, outcomes, run
from tests.scenarios.test_s40_quiet_and_good import HOME

OCTETS = bytes.fromhex("a7010203 8899aabb ccddeeff 00112233")


def story(recording):
    opened = recording.connect(HUB, LIGHT, 4711)
    for turn in range(6):
        recording.at(90 + 20 * turn)
        opened.send(OCTETS + bytes([turn]))
        opened.receive(OCTETS[::-1])


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(story), tmp_path_factory.mktemp("unread"), home=HOME)


@pytest.mark.parametrize(
    "rule", ["light-control-without-login", "configuration-without-login", "password-in-clear-text"]
)
def test_it_could_have_held_the_order_or_the_secret(document, rule):
    [answer] = [
        a
        for a in document["assessments"]
        if a["rule_id"] == rule and a["device_id"] == device_id(document, LIGHT)
    ]

    assert answer["outcome"] == "undetermined"
    assert "in a protocol that is not read here" in answer["reason"]
    assert f"tcp port 4711 with {device_id(document, HUB)}" in answer["reason"]
    assert_honest(document)


def test_questions_that_it_could_not_answer_are_answered(document):
    assert outcomes(document, "searches-the-network", LIGHT) == {"not-found"}
    assert outcomes(document, "control-open-to-web-pages", LIGHT) == {"not-found"}


def test_the_redacted_reason_names_a_role(tmp_path):
    redacted = run(on_the_path(story), tmp_path, home=HOME, reveal=False)

    reasons = " ".join(a["reason"] for a in redacted["assessments"])
    assert "tcp port 4711 with hub" in reasons
    assert HUB.link not in str(redacted)
