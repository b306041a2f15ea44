"""
S34: tried and stopped.

Why: three SYN without an answer (RFC 9293 3.8.1), ICMP communication administratively prohibited (type 3 code 13, RFC 1812
5.2.7.1) and a reset are attempts; nobody talked.
"""

import pytest

from tests.household.__main__ import CAPTURES
from tests.household.home import CLOUD, FILE_SERVER, LIGHT, MOVED_LIGHT, ROUTER
from tests.scenarios.support import contacts, device_id, on_the_path, run, text_of


@pytest.mark.parametrize(
    ("answer", "outcome"), [("none", "unanswered"), ("prohibited", "prohibited"), ("reset", "refused")]
)
@pytest.mark.parametrize(
    ("target", "remote"), [(FILE_SERVER, False), (CLOUD, True)], ids=["inside", "outside"]
)
def test_an_attempt_has_its_outcome(tmp_path, target, remote, answer, outcome):
    document = run(on_the_path(lambda r: r.attempt(LIGHT, target, 445, answer=answer, by=ROUTER)), tmp_path)

    [row] = [c for c in contacts(document, LIGHT, remote=remote) if c["port"] == 445]
    assert row["outcomes"] == {outcome: 1}


def test_it_is_not_a_conversation(tmp_path):
    document = run(on_the_path(lambda r: r.attempt(LIGHT, FILE_SERVER, 445)), tmp_path)

    services = [s["state"] for s in document["services"] if s["port"] == 445]
    assert set(services) <= {"silent"}
    assert "talks to" not in text_of(document)


def test_after_isolation_the_attempts_are_told_and_the_wished_contacts_work(tmp_path):
    document = run(CAPTURES / "after-isolation.pcapng", tmp_path)

    rows = {
        c["port"]: c["outcomes"]
        for c in contacts(document, MOVED_LIGHT, remote=False)
        if c["transport"] == "tcp"
    }
    assert rows[445] == {"prohibited": 3}
    assert rows[1883] == {"established": 1}
    assert rows[8080] == {"established": 60}
    control = [c for c in document["controls"] if c["effect"] == "light"]
    assert sum(c["count"] for c in control if c["device_id"] == device_id(document, MOVED_LIGHT)) == 2
    [cloud] = [c for c in contacts(document, MOVED_LIGHT) if c["name"] == CLOUD.name]
    assert cloud["outcomes"] == {"unanswered": 4}


def test_the_light_is_not_called_silent(tmp_path):
    document = run(on_the_path(lambda r: r.attempt(LIGHT, FILE_SERVER, 445)), tmp_path)

    assert "is silent" not in text_of(document)
