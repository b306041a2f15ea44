"""
S14: the light asks a resolver that the router did not offer.

Why: the lease names the resolvers (RFC 2132 3.8); without the lease in the recording, nobody knows what was offered.
"""

from tests.builders import Recording
from tests.household.home import CLOUD, HUB, LAPTOP, LIGHT, OUTSIDE_RESOLVER, PHONE, WEB
from tests.household.messages import http_request, http_response
from tests.household.sessions import stored
from tests.scenarios.support import assert_calm, at_least, contacts, findings, outcomes, run


def recording(*, with_lease: bool, resolver=OUTSIDE_RESOLVER) -> Recording:
    made = Recording()
    if with_lease:
        made.dhcp_lease(LIGHT)
    for moment in range(10, 300, 60):
        made.at(moment)
        made.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        made.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
        made.http_exchange(PHONE, HUB, http_request("GET", "/", HUB.ipv4), http_response(200, {}), port=8080)
        made.dns_lookup(LIGHT, CLOUD.name, [CLOUD.ipv4], resolver=resolver)
        made.tls_session(LIGHT, CLOUD, stored(CLOUD.name))
    return made


def test_found_where_the_lease_offered_another(tmp_path):
    document = run(recording(with_lease=True), tmp_path)

    [finding] = findings(document, "resolver-not-offered")
    assert finding["severity"] in {"low", "medium"}
    assert OUTSIDE_RESOLVER.ipv4 in finding["summary"]
    assert finding["remediation"]
    assert OUTSIDE_RESOLVER.ipv4 in {c["address"] for c in contacts(document, LIGHT)}


def test_undetermined_where_no_lease_was_recorded(tmp_path):
    document = run(recording(with_lease=False), tmp_path)

    assert outcomes(document, "resolver-not-offered", LIGHT) == {"undetermined"}


def test_not_found_where_it_asks_the_one_that_was_offered(tmp_path):
    document = run(recording(with_lease=True, resolver=None), tmp_path)

    assert outcomes(document, "resolver-not-offered", LIGHT) == {"not-found"}


def test_it_is_no_fright(tmp_path):
    document = run(recording(with_lease=True), tmp_path)

    assert_calm(document)
    assert "resolver-not-offered" not in at_least(document, "high")
