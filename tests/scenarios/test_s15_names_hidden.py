"""
S15: lookups inside TLS, and sessions without any lookup.

Why: port 853 is DNS over TLS (RFC 7858 3.1); DNS over HTTPS (RFC 8484) looks like any other HTTPS, so that a missing lookup
proves nothing: the name may be cached, or the address fixed.
"""

import pytest

from tests.household.home import CLOUD, LAPTOP, LIGHT, OUTSIDE_RESOLVER
from tests.household.sessions import transcript
from tests.scenarios.support import contacts, findings, on_the_path, outcomes, run, text_of


def encrypted_resolver(recording):
    recording.tls_session(LIGHT, OUTSIDE_RESOLVER, transcript(OUTSIDE_RESOLVER.name, version="1.3"), port=853)


def nameless(recording):
    recording.tls_session(LIGHT, CLOUD, transcript(None, version="1.3"))


def test_a_hello_on_853_is_read(tmp_path):
    document = run(on_the_path(encrypted_resolver), tmp_path)

    [contact] = [c for c in contacts(document, LIGHT) if c["port"] == 853]
    assert (contact["name"], contact["name_source"]) == (OUTSIDE_RESOLVER.name, "tls-sni")
    assert contact["confidentiality"] == "tls"
    assert outcomes(document, "encrypted-resolver", LIGHT) == {"found"}


def test_a_session_without_a_lookup_has_no_name(tmp_path):
    document = run(on_the_path(nameless), tmp_path)

    [contact] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]
    assert (contact["name"], contact["name_source"]) == (None, "none")
    assert outcomes(document, "remote-contact-without-name", LIGHT) == {"found"}


@pytest.mark.parametrize("story", [nameless])
def test_a_missing_lookup_is_not_called_dns_over_https(tmp_path, story):
    document = run(on_the_path(story), tmp_path)

    assert findings(document, "encrypted-resolver") == []
    assert "uses dns over https" not in text_of(document)


def test_another_hosts_lookup_gives_this_one_no_name(tmp_path):
    """The laptop asked for the name of the same address: that is not what the light asked for."""

    def story(recording):
        recording.dns_lookup(LAPTOP, "shop.example", [CLOUD.ipv4])
        nameless(recording)

    document = run(on_the_path(story), tmp_path)

    [contact] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]
    assert contact["name"] is None
