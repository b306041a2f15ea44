"""
A conversation in a protocol that is not read here: silence about it is no answer (house contract, section 2).

It is none of the forty scenarios; every recording holds some.
"""

import pytest

from tests.household.home import HUB, LIGHT
from tests.household.octets import ACK
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


def contradicting(recording):
    """A request of the hub of which one segment comes again and again with other octets."""
    opened = recording.connect(HUB, LIGHT, 80)
    recording.at(90)
    head = b"POST /json HTTP/1.1\r\nHost: light.example\r\n"
    opened.send(head)
    opened.sequence[True] -= 8
    for turn in range(12):
        recording.at(91 + turn)
        opened.segment(True, ACK, bytes([0x41 + turn]) * 8)
    opened.sequence[True] += 8
    recording.at(110)
    opened.send(b"Content-Length: 0\r\n\r\n")
    opened.receive(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")


@pytest.fixture(scope="module")
def contradicted(tmp_path_factory):
    return run(on_the_path(contradicting), tmp_path_factory.mktemp("contradicting"), home=HOME)


@pytest.mark.parametrize(
    "rule", ["light-control-without-login", "password-in-clear-text", "update-in-clear-text"]
)
def test_what_contradicts_itself_could_have_held_it_too(contradicted, rule):
    """A sender sends a lost segment again as it was: RFC 9293 section 3.10.8."""
    [answer] = [
        a
        for a in contradicted["assessments"]
        if a["rule_id"] == rule and a["device_id"] == device_id(contradicted, LIGHT)
    ]

    assert answer["outcome"] == "undetermined"
    assert "because its segments contradict each other" in answer["reason"]
    assert f"tcp port 80 with {device_id(contradicted, HUB)}" in answer["reason"]
    assert_honest(contradicted)


def test_coverage_and_issues_say_what_was_given_up(contradicted):
    asked = {row["question"]: row["reason"] for row in contradicted["coverage"]["could_not_see"]}

    reason = asked["What was said in conversations whose segments contradict each other?"]
    assert reason.startswith("in 1 of them a side sent other octets")
    [issue] = [row for row in contradicted["issues"] if "contradict" in row["problem"]]
    assert (issue["where"], issue["count"]) == ("http stream", 1)
