"""
S30: somebody outside knocks at the light.

Why: a SYN from a public address opens a connection from outside, SYN-ACK and data answer it (RFC 9293 3.5); a reset or
silence does not; an answer to the light's own connection is none of these.
"""

import pytest

from tests.household.home import LIGHT, STRANGER
from tests.household.messages import http_request, http_response
from tests.scenarios.support import at_least, cloud_session, contacts, findings, on_the_path, outcomes, run

RULE = "service-reached-from-internet"


def answered(recording):
    recording.http_exchange(
        STRANGER, LIGHT, http_request("GET", "/json/info", LIGHT.ipv4), http_response(200, {"ver": "0.14.1"})
    )


def answered_over_ipv6(recording):
    recording.http_exchange(
        STRANGER,
        LIGHT,
        http_request("GET", "/json/info", "light"),
        http_response(200, {"ver": "1"}),
        family="ipv6",
    )


@pytest.mark.parametrize(("story", "family"), [(answered, "ipv4"), (answered_over_ipv6, "ipv6")])
def test_an_answer_with_data_comes_first(tmp_path, story, family):
    document = run(on_the_path(story), tmp_path)

    [finding] = findings(document, RULE)
    assert finding["severity"] == "critical"
    assert document["findings"][0]["rule_id"] == RULE
    [contact] = [c for c in contacts(document, LIGHT) if c["initiator"] == "remote"]
    assert (contact["family"], contact["port"]) == (family, 80)
    [service] = [s for s in document["services"] if "internet" in s["reached_from"]]
    assert service["state"] == "answered"


@pytest.mark.parametrize("answer", ["reset", "none"])
def test_a_knock_without_an_answer_is_only_a_knock(tmp_path, answer):
    document = run(on_the_path(lambda r: r.attempt(STRANGER, LIGHT, 80, answer=answer)), tmp_path)

    assert findings(document, RULE) == []
    assert at_least(document, "high") == []
    [contact] = [c for c in contacts(document, LIGHT) if c["initiator"] == "remote"]
    assert set(contact["outcomes"]) == {"refused" if answer == "reset" else "unanswered"}


def test_replies_to_the_lights_own_call_are_no_knock(tmp_path):
    document = run(on_the_path(cloud_session), tmp_path)

    assert [c for c in contacts(document, LIGHT) if c["initiator"] == "remote"] == []
    assert outcomes(document, RULE, LIGHT) == {"not-found"}
