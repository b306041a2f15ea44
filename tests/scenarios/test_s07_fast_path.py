"""
S07: a router's capture in which established traffic takes a fast path and is not recorded.

Why: acknowledgement numbers count every octet from the SYN on (RFC 9293 section 3.4), recorded or not; what was acknowledged
and is not in the file went round the recorder.
"""

import pytest

from tests.household.home import CLOUD, LIGHT
from tests.household.sessions import stored
from tests.household.stories import sealed
from tests.scenarios.support import (
    assert_calm,
    assert_honest,
    capture_issues,
    contacts,
    on_the_path,
    outcomes,
    run,
)

HIDDEN = 400_000
MINIMUM = "byte counts are minimum values"


def story(hidden, *, recorded=0):
    def tell(recording):
        cloud = recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), stays_open=True)
        recording.wait(60)
        cloud.receive(bytes(recorded) or b"\0")
        cloud.receive(bytes(hidden), recorded=False)
        cloud.send(bytes(hidden // 10), recorded=False)
        recording.wait(60)
        cloud.send(sealed(recording, 30))
        cloud.receive(sealed(recording, 30))

    return on_the_path(tell)


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(story(HIDDEN), tmp_path_factory.mktemp("s07"))


def test_the_recorder_was_bypassed(document):
    assert "bypassed" in capture_issues(document)
    [issue] = [i for c in document["captures"] for i in c["issues"] if i["kind"] == "bypassed"]
    assert issue["count"] == 1
    # One octet less each way: it may be a FIN.
    assert f"at least {HIDDEN + HIDDEN // 10 - 2} octets" in issue["detail"]
    assert any(MINIMUM in entry["reason"] for entry in document["coverage"]["could_not_see"])


def test_the_contact_is_not_called_tiny(document):
    [cloud] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]

    assert cloud["received_octets"] < HIDDEN
    assert outcomes(document, "remote-contact", LIGHT) == {"found"}
    assert_calm(document)
    assert_honest(document)


@pytest.mark.parametrize(("hidden", "recorded"), [(0, 0), (3_000, 0), (30_000, 200_000)],
                         ids=["whole", "two packets lost", "a part lost"])  # fmt: skip
def test_odd_losses_are_not_called_a_bypass(tmp_path, hidden, recorded):
    document = run(story(hidden, recorded=recorded), tmp_path)

    assert "bypassed" not in capture_issues(document)
