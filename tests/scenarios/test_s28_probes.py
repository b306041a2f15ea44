"""
S28: names that do not exist, asked for on purpose, and small checks that the internet is there.

Why: asking for a nonsense name tells whether a resolver lies (NXDOMAIN, RFC 1035 4.1.1); a request answered with 204 tells
whether the way out is open (common practice). Steady, small, the same each time.
"""

import pytest

from tests.builders import Recording
from tests.household.home import LIGHT, Host
from tests.household.messages import http_request, http_response
from tests.scenarios.support import SEVERITIES, assert_calm, at_least, findings, on_the_path, run

CHECK = Host("check.example", ipv4="203.0.113.204", hops_away=9)
SECONDS = 7200


def story(recording: Recording) -> None:
    for turn in range(SECONDS // 600):
        recording.at(15 + turn * 600)
        recording.dns_lookup(LIGHT, "qzxkvbnmwplt.example", fails=True)
        recording.dns_lookup(LIGHT, CHECK.name, [CHECK.ipv4])
        request = http_request("GET", "/generate", CHECK.name)
        recording.http_exchange(LIGHT, CHECK, request, http_response(204, None))


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(on_the_path(story, seconds=SECONDS), tmp_path)


def test_it_is_a_probe(document):
    assert findings(document, "connectivity-probe", host=LIGHT)
    assert {f["severity"] for f in findings(document, "connectivity-probe")} <= set(SEVERITIES[:2])


def test_it_is_no_fright(document):
    assert_calm(document, allowed=())
    assert at_least(document, "medium") == []
