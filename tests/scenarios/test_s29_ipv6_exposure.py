"""
S29: an IPv6 address that is valid on the whole internet, built from the link address.

Why: modified EUI-64 (RFC 4291 appendix A) puts the link address into it; whether the router lets callers in is not visible inside.
"""

from ipaddress import IPv6Address

import pytest

from tests.household.home import CLOUD, LIGHT
from tests.household.sessions import stored
from tests.scenarios.support import assert_calm, device, findings, on_the_path, outcomes, run, text_of


def story(recording):
    recording.router_advertisement()
    recording.neighbour(LIGHT, LIGHT)
    recording.mdns_announce(LIGHT, addresses=[LIGHT.ipv4, LIGHT.ipv6_global])
    recording.dns_lookup(LIGHT, CLOUD.name, [CLOUD.ipv6], family="ipv6")
    recording.tls_session(LIGHT, CLOUD, stored(CLOUD.name), family="ipv6")


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(story), tmp_path_factory.mktemp("s29"))


def test_the_global_address_is_told_and_what_it_reveals(document):
    assert str(IPv6Address(LIGHT.ipv6_global)) in device(document, LIGHT)["addresses"]
    [exposed] = findings(document, "globally-addressed", host=LIGHT)
    assert exposed["severity"] == "info"
    assert findings(document, "address-reveals-hardware", host=LIGHT)


def test_that_callers_get_in_is_not_claimed(document):
    [exposed] = findings(document, "globally-addressed", host=LIGHT)

    told = f"{exposed['summary']} {exposed['household']} {exposed['rationale']}".lower()
    assert "outside" in str(exposed["remediation"]).lower() or "outside" in told
    assert "not visible" in told or "cannot" in told or "does not show" in told or "not seen" in told
    assert "exposed" not in text_of(document)
    assert findings(document, "service-reached-from-internet") == []
    assert_calm(document)


def test_a_home_address_is_not_global(tmp_path):
    document = run(on_the_path(lambda recording: recording.neighbour(LIGHT, LIGHT)), tmp_path)

    assert outcomes(document, "globally-addressed", LIGHT) == {"not-found"}
